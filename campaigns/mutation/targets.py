"""The modules to mutate, with the tests that must notice each mutant; the branch coverage gate uses the same table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Target:
    """One module and its own unit tests.

    Attributes:
        module: dotted name.
        tests: paths from the root of the repository.
    """

    module: str
    tests: tuple[str, ...]

    @property
    def path(self) -> Path:
        """Its file in the repository."""
        return ROOT.joinpath(*self.module.split(".")[1:]).with_suffix(".py")


TARGETS: Final[dict[str, Target]] = {
    "guard": Target("ebbset.controller.guard.guard", ("tests/controller/guard",)),
    "guard_telemetry": Target("ebbset.controller.guard.telemetry", ("tests/controller/guard",)),
    "stop_rules": Target(
        "ebbset.controller.regulation.stop_rules",
        ("tests/controller/regulation/test_stop_rules.py", "tests/controller/regulation/test_stop_rule_boundaries.py"),
    ),
    "rig_word": Target("ebbset.controller.regulation.rig_word", ("tests/controller/regulation/test_rig_word.py",)),
    "stall": Target(
        "ebbset.controller.detection.stall",
        (
            "tests/controller/detection/test_stall.py",
            "tests/controller/detection/test_slow_phase.py",
            "tests/controller/detection/test_tops_and_turns.py",
        ),
    ),
    "stall_rule": Target(
        "ebbset.controller.detection.stall_rule",
        ("tests/controller/detection/test_stall.py", "tests/controller/detection/test_slow_phase.py"),
    ),
    "ascent": Target(
        "ebbset.controller.detection.ascent",
        ("tests/controller/detection/test_ascent.py", "tests/controller/detection/test_ascent_record.py"),
    ),
    "transitions": Target(
        "ebbset.controller.regulation.transitions",
        ("tests/controller/regulation/test_transition_table.py", "tests/system/test_docs.py"),
    ),
}
