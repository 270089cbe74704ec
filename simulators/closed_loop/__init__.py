"""Whole sets in memory: lifter, rig, sensors, firmware and link around the real controller, one set or many.

`invariant_monitor` checks every set from outside and shares no code with the controller's own checks.
"""

from __future__ import annotations

from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SetNotRunError, SimulatedSet

__all__ = ["LoopSettings", "SetNotRunError", "SimulatedSet", "run_set"]
