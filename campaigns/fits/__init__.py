"""Fits: they write the figures that the simulator and the controller ship with, from seeds and published values."""
