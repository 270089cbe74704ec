"""Published relations as plain functions and constants, each with its source; one module per subject.

Nothing here knows a rig, a set or a controller. Import the modules: some need numpy, which a controller does not.
"""
