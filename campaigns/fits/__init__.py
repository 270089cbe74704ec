"""Fits that write the figures shipped with simulator and controller, from seeds and published values."""
