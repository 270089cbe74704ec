"""The rig: motor, cable and handle with the lifter on it, sensors, firmware by the wire contract, named defects.

`virtual_rig` is all of it as a process of its own on MQTT.
"""

from __future__ import annotations

from ebbset.simulators.rig.plant import Plant
from ebbset.simulators.rig.rig_parameters import RigParameters, free_weight
from ebbset.simulators.rig.sensors import SensorFault, SensorParameters

__all__ = ["Plant", "RigParameters", "SensorFault", "SensorParameters", "free_weight"]
