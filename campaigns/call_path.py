"""Path of a frame that leads to a drop: calls, modules and changes of module inside the package.

Run as ``python -m campaigns.call_path``. A reader who follows such a frame takes the same path, so fewer changes of
module are better. Before the rooms were reorganised it took 141 calls, 21 modules and 81 changes.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections import Counter
from types import FrameType
from typing import Any

from ebbset.controller.messages.actions import Decision, Output
from ebbset.controller.messages.events import Event
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.prescription import example
from tests.support.kinematic_rig import KinematicRig, profile_of

Step = tuple[str, str]


class Traced(SetController):
    """Keeps the calls made for each event that led to a drop."""

    __slots__ = ("drops",)

    def __init__(self, policies: Any) -> None:
        super().__init__(policies)
        self.drops: list[list[Step]] = []

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Handle the event as the controller does, under a profiler."""
        calls: list[Step] = []

        def note(frame: FrameType, what: str, _: object) -> None:
            module = frame.f_globals.get("__name__", "")
            written = frame.f_code.co_filename != "<string>"  # what dataclasses generate has no file
            if what == "call" and written and module.startswith("ebbset."):
                calls.append((module.removeprefix("ebbset."), frame.f_code.co_name))

        sys.setprofile(note)
        try:
            out = super().handle(event)
        finally:
            sys.setprofile(None)
        if any(isinstance(item, Decision) and item.action == "drop" for item in out):
            self.drops.append(calls)
        return out


def first_drop() -> list[Step]:
    """Module and function of each call for the first frame of a scripted set that leads to a drop."""
    rig = KinematicRig(example(), profile=profile_of(), lifts_n=[1e9, 1e9, 350.0, 350.0, 350.0])
    controller = Traced(rig.policies)
    rig.controller = controller
    rig.begin()
    rig.run(30)
    return controller.drops[0]


def summary(calls: list[Step]) -> dict[str, Any]:
    """Counts of calls, of modules and of changes from one module to another."""
    modules = [module for module, _ in calls]
    changes = sum(one != other for one, other in itertools.pairwise(modules))
    return {"calls": len(calls), "modules": len(set(modules)), "changes": changes, "by_module": Counter(modules)}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(summary(first_drop()), indent=2) + "\n")
