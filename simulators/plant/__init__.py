"""Rig and lifter as one physical thing: motor, cable and handle, and whoever pulls at it, stepped together.

`plant` holds the compiled lifter, `plugged_plant` a lifter of any other structure. True values only: sensors, firmware
and messages are in `simulators.rig`.
"""

from __future__ import annotations

from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.plugged_plant import PluggedPlant
from ebbset.simulators.plant.rig_parameters import RigParameters, free_weight

__all__ = ["Plant", "PluggedPlant", "RigParameters", "free_weight"]
