"""Campaigns that only developers of ebbset run: faults, fuzzing, soak, fits, and comparisons with other engines.

Not in the wheel. Most have a short form in the test suite and a long form behind a target of the Makefile.
"""
