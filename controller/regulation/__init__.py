"""The state machine of a set: events in, actions out, every decision with its reason.

`transitions` is the table, `regulator` carries it out, `bout` says what follows from telemetry while a lifter works,
and `set_controller` puts the guard behind it all. Pure: no clock, no file.
"""

from __future__ import annotations

from ebbset.controller.regulation.regulator import Regulator
from ebbset.controller.regulation.set_controller import SetController

__all__ = ["Regulator", "SetController"]
