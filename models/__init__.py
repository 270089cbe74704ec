"""Floor 1: wire messages, prescriptions, lifter profiles, units and published physiology as plain functions.

No input or output, clocks, randomness or asyncio. May import only numpy and pydantic.
"""
