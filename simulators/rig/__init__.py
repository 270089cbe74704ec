"""The rig around a plant: sensors, firmware by the wire contract, its messages, named defects.

`virtual_rig` is all of it as a process of its own on MQTT.
"""

from __future__ import annotations

from ebbset.simulators.rig.sensors import SensorFault, SensorParameters

__all__ = ["SensorFault", "SensorParameters"]
