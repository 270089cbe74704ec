"""Floor 3: lifter and rig as physics, populations, sets in memory, and how all of it compares with what is known.

May import controller and models. Every random draw comes from a seeded generator that is passed in.
"""
