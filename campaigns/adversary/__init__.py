"""Adversarial sets: scripted lifters whose truth is known, driven through the real controller from outside.

What lives here: lifters that move by a script and react to the load, a rig that follows the contract, families of
sets that are hard to judge, and the check of what the controller concluded. What never does: any code of the
controller's own judgement; physiology (besides the scripts only the simulator's bench press is used).
"""
