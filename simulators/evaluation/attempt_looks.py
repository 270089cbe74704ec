"""What the evidence of the rule "habits" was at every evaluation of a set of known truth, attempt by attempt.

What lives here: a segmenter that records and calls nothing, and which of its evaluations belong to which attempt. What
never does: making sets (`ground_truth`), what a rule would have called (`operating_curves`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import generic_line
from ebbset.simulators.evaluation.detector_runs import TOP_SHARE, WHOLE_SHARE, TelemetryQuality, measure
from ebbset.simulators.evaluation.ground_truth import TrueSet

FloatArray = npt.NDArray[np.float64]
Look = tuple[int, float, list[float] | None]
"""Rig time, velocity, evidence; no evidence where the evaluation was not worth a look."""
LEAST_MOTION_S: Final = 0.02
FAST_M_S: Final = 9.0
NEVER: Final = StallSection(rule="habits", still_limit_s=10.0)


class _CopiedWhole:
    """Has copies keep what a subclass of a compiled class adds, which mypyc's own way of copying leaves out."""

    def __getstate__(self) -> object:
        state = super().__getstate__()
        return state | self.__dict__ if isinstance(state, dict) else state


class LookingEvidence(_CopiedWhole, HabitEvidence):
    """Evidence that reports no stall but records (rig time, velocity, evidence vector) at each evaluation."""

    def __init__(self) -> None:
        super().__init__()
        self.looks: list[Look] = []
        self.hold_until_us = 0

    @property
    def pauses(self) -> bool:
        """Whoever is looked at may stand for as long as they like."""
        return True

    def sample(self, t: int, v: float, share: float, force_n: float | None) -> None:
        """As in the detector; a sample that is not evaluated is recorded like one of a fast handle.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a fraction of the range of motion.
            force_n: tension, newtons, if known.
        """
        super().sample(t, v, share, force_n)
        self.looks.append((t, FAST_M_S, None))

    def worth_a_look(self) -> bool:
        """As in the detector, but record the velocity of every evaluation."""
        t = self.looks[-1][0]
        if t < self.hold_until_us:
            return False
        self.looks[-1] = (t, self._v, None)
        return super().worth_a_look()

    def scored(self, ascent: Ascent, least: float) -> float:
        """Return a score that is no stall, but record the evidence.

        Args:
            ascent: the ascent under way.
            least: score that would be a stall.
        """
        t, v, _ = self.looks[-1]
        self.looks[-1] = (t, v, self.evidence(ascent))
        return least - 1.0


class LookingSegmenter(_CopiedWhole, RepetitionSegmenter):
    """A segmenter that calls no stall for as long as anybody stands, and has `LookingEvidence`."""

    def __init__(self, item: TrueSet) -> None:
        self.evidence = LookingEvidence()
        line = generic_line(item.exercise)
        super().__init__(stall=NEVER, line=line, rom_m=None, has_force=True, evidence=self.evidence)

    def load_dropped(self, t_us: int, load_n: float, settle_s: float) -> None:
        """As the segmenter's; looks until the load has settled do not count.

        Args:
            t_us: rig time of the drop, microseconds.
            load_n: new load, newtons.
            settle_s: time until the load has settled, seconds.
        """
        super().load_dropped(t_us, load_n, settle_s)
        self.evidence.hold_until_us = t_us + round(settle_s * 1e6)


@dataclass(frozen=True, slots=True)
class AttemptLooks:
    """What could be seen in one attempt.

    Attributes:
        stalled: it would not have come through.
        moved: a stall that moved at first, so that its motion has an end; ``True`` for what is no stall.
        t_s: shape (n,), true seconds from the end of motion (or the start).
        velocity_m_s: shape (n,).
        evidence: n vectors, ``None`` where the evaluation was not worth a look.
    """

    stalled: bool
    moved: bool
    t_s: FloatArray
    velocity_m_s: FloatArray
    evidence: tuple[list[float] | None, ...]


def looks_of(item: TrueSet, telemetry: TelemetryQuality, seed: int) -> list[AttemptLooks]:
    """Every attempt of a set, and everything outside attempts as one that came through.

    Args:
        item: set of known truth.
        telemetry: quality of the rig's telemetry.
        seed: seed of the sensor noise.
    """
    segmenter = LookingSegmenter(item)
    measured = measure(item, segmenter, telemetry, np.random.default_rng(seed))
    looks = segmenter.evidence.looks
    t = np.array([measured.true_s(us) for us, _, _ in looks])
    unaided = {one.attempt: one.segmenter for one in measured.unaided}
    out: list[AttemptLooks] = []
    outside = np.ones(len(t), dtype=bool)
    for k, attempt in enumerate(item.attempts):
        inside = (t >= attempt.start_s + (0.01 if attempt.continued else -0.02)) & (t <= attempt.end_s)
        outside &= ~inside
        if attempt.stalled:
            after = item.attempts[k + 1].start_s if k + 1 < len(item.attempts) else np.inf
            outside &= ~((t > attempt.end_s) & (t < after))
            if attempt.end_share > TOP_SHARE:
                continue
        elif attempt.end_share < WHOLE_SHARE:
            outside &= ~((t > attempt.end_s) & (t < attempt.end_s + 2.0))
            continue
        zero = attempt.motion_ended_s if attempt.stalled else attempt.start_s
        seen = [looks[i] for i in np.flatnonzero(inside)]
        times = t[inside]
        copied = unaided.get(k)
        if isinstance(copied, LookingSegmenter):
            more = copied.evidence.looks
            more_t = np.array([measured.true_s(us) for us, _, _ in more])
            left = np.flatnonzero((more_t > attempt.end_s) & (more_t <= attempt.failed_s))
            seen += [more[i] for i in left]
            times = np.concatenate([times, more_t[left]])
        moved = not attempt.stalled or attempt.motion_ended_s > attempt.start_s + LEAST_MOTION_S
        out.append(_seen(times - zero, seen, stalled=attempt.stalled, moved=moved))
    places = np.flatnonzero(outside)
    breaks = np.flatnonzero(np.diff(t[outside]) > 0.3) + 1
    for part in np.split(places, breaks) if len(places) else ():
        out.append(_seen(t[part] - t[part][0], [looks[i] for i in part]))
    return out


def _seen(
    t_s: FloatArray,
    looks: Sequence[Look],
    *,
    stalled: bool = False,
    moved: bool = True,
) -> AttemptLooks:
    velocity = np.array([v for _, v, _ in looks])
    return AttemptLooks(stalled, moved, t_s, velocity, tuple(vector for _, _, vector in looks))
