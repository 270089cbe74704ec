"""Floor 1: wire messages, prescriptions, lifter profiles, units and published physiology as plain functions.

Never here: input or output, clocks, randomness, asyncio. May import numpy and pydantic only.
"""
