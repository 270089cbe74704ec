"""A slow phase with one ascent in it, whose evidence says what it is told to say."""

from __future__ import annotations

from typing import Any

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.stall_evidence import StallEvidence
from ebbset.controller.detection.range_of_motion import RangeOfMotion
from ebbset.controller.detection.signals import Signal, StallSeen
from ebbset.controller.detection.stall import AscentOver, SlowPhase
from ebbset.controller.detection.stall_rule import StallRule
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line

T = 10_000_000
BOTTOM, ROM = 0.0, 0.5
STALL_M_S = 0.05
HOPELESS = [
    *(0.01, -0.09, -0.05, -0.01, 0.5, 0.35, -0.07, -0.06, 3.0, 0.02),
    *(1.29, 0.21, 0.38, -0.16, -0.04, 0.05, 0.89, 0.6, 0.03, 0.1),
]
"""Evidence of an ascent that will not come through."""
HEALTHY = [
    *(0.2, -0.09, 0.8, 0.8, 0.0, 0.5, 0.1, 0.8, 3.0, 0.0),
    *(0.4, 0.6, 0.0, 0.8, 0.8, 0.8, 1.0, 0.4, 0.03, 0.1),
]

COMPLETED = AscentOver(RepetitionOutcome.COMPLETED, taken_up=False)
FAILED = AscentOver(RepetitionOutcome.FAILED, taken_up=False)
PARTIAL = AscentOver(RepetitionOutcome.PARTIAL, taken_up=False)


class Told(StallEvidence):
    """Evidence that says what it is told to say, and keeps what was asked of it."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        super().__init__(generic_line("row"))
        self.says = HEALTHY
        self.looked_at = True
        self.asked.clear()

    def begin(self, t_us: int, load_n: float) -> None:
        self.asked.append(("begin", t_us, load_n))

    def sample(self, t: int, v: float, share: float, force_n: float | None = None) -> None:  # noqa: ARG002
        self.asked.append(("sample", t, v, share))

    def dropped(self, load_n: float) -> None:
        self.asked.append(("dropped", load_n))

    def ended(self, *, completed: bool, load_changed: bool) -> None:
        self.asked.append(("ended", completed, load_changed))

    def worth_a_look(self) -> bool:
        return self.looked_at

    def evidence(self) -> list[float]:
        return self.says


def stall_rule(**fields: Any) -> StallRule:
    """The rule "evidence", or another, with these figures of the prescription.

    Args:
        fields: that differ from the default.
    """
    stall = StallSection.model_validate({"rule": "evidence", **fields})
    return StallRule(stall, StallEvidence(generic_line("row")).certain(stall))


class Bench:
    """A slow phase, an ascent in it, and the signals it gave.

    Args:
        rom_m: reference range of motion, metres; None: not known.
        bottom_m: where ascents begin; None: not known.
        ascent: figures of the ascent that differ from those of one that has come to 0.3 m.
        stall: figures of the prescription.
    """

    def __init__(
        self,
        *,
        rom_m: float | None = ROM,
        bottom_m: float | None = BOTTOM,
        ascent: dict[str, Any] | None = None,
        **stall: Any,
    ) -> None:
        span = RangeOfMotion(rom_m)
        span.bottom_m = bottom_m
        self.told = Told()
        section = StallSection.model_validate(
            {"rule": "evidence", "velocity_m_s": STALL_M_S, "still_limit_s": 1.0, **stall}
        )
        self.phase = SlowPhase(section, span, self.told)
        self.ascent = Ascent(T, 0.3, 0.4, start_t_us=T, start_m=0.0, load_n=400.0, taking_up=False)
        for name, value in (ascent or {}).items():
            setattr(self.ascent, name, value)
        self.signals: list[Signal] = []

    def slow(self, x: float, v: float = 0.0, *, t: int = T, share: float | None = None) -> AscentOver | None:
        return self.phase.slow(self.ascent, t, x, v, 390.0, share, self.signals)

    def look(self, x: float = 0.3, v: float = 0.0, *, t: int = T, share: float | None = 0.6) -> StallSeen | None:
        before = len(self.signals)
        self.told.look(self.phase.rule, self.ascent, t, x, v, 390.0, share, self.signals)
        if len(self.signals) == before:
            return None
        (seen,) = self.signals[before:]
        assert isinstance(seen, StallSeen)
        return seen

    @property
    def clock_runs(self) -> bool:
        """Whether standing still was counted toward a stall."""
        return self.phase.rule.slow_since_us is not None


def slowing(*, rom_m: float | None = ROM, bottom_m: float | None = BOTTOM, **changes: Any) -> Bench:
    """A bench whose ascent came up at 0.4 m/s at once and then lost its speed over 0.1 m.

    Args:
        rom_m: as for `Bench`.
        bottom_m: as for `Bench`.
        changes: figures of the ascent that differ.
    """
    it = Bench(rom_m=rom_m, bottom_m=bottom_m, ascent={"start_t_us": T - 100_000, **changes})
    it.ascent.moving(T, 0.2, 0.2, healthy=True)
    return it


def braking(at_m: float = 0.3, *, ascent: dict[str, Any] | None = None, **changes: Any) -> Bench:
    """A bench whose ascent moved at 0.4 m/s to this height and stopped there at once.

    Args:
        at_m: where it stopped, metres; its highest position.
        ascent: figures of the ascent that differ.
        changes: as for `Bench`.
    """
    it = Bench(ascent={"peak_m": at_m, **(ascent or {})}, **changes)
    it.ascent.moving(T, at_m, 0.4, healthy=True)
    return it
