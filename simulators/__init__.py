"""Room 3: rig physics, lifter physiology, virtual rigs, faults, populations and closed-loop runs.

May import controller and models. Every random draw comes from a seeded generator that is passed in.
"""
