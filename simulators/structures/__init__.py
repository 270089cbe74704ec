"""Families of lifters that differ in structure, one module each: what makes the force, what tires, what a lift obeys.

Each has a function `draw(exercise, rng)` that makes one person, and is registered under the entry-point group
``ebbset.lifters``. They share habits (`ebbset.simulators.lifter.habits`) and nothing of their mechanics, so that a
judgement that holds on all of them does not hang on the simulator that it was fitted on. No figure of the controller
is used here.
"""
