"""Recordings: written while a set runs, read back whole or damaged, arranged as sets, replayed to the same bits.

MCAP is the format; the `mcap` library reads and writes it.
"""
