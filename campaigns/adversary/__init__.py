"""Adversarial sets: scripted lifters whose truth is known, driven through the real controller from outside.

What lives here: lifters that move by a script and react to the load, a rig that follows the contract, families of
sets that are hard to see, and the judgement of what the controller made of them. What never does: any code of the
controller's own judgement; physiology (only the bench press of the simulator is used beside the scripts).
"""
