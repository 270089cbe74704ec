"""Floor 3: lifter and rig physics, populations, sets in memory, and their comparison with published figures.

May import controller and models. Every random draw comes from a seeded generator that is passed in.
"""
