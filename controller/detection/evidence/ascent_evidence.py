"""What any evidence about an ascent does: take samples in, and call a stall as soon as it is certain enough.

What lives here: the common part of all evidence. What never does: what the evidence is (`stall_evidence`,
`habit_evidence`), how long a slow handle may stand (`stall_rule`), what a slow handle means (`stall`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Final

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.range_of_motion import UNKNOWN_M
from ebbset.controller.detection.signals import Signal
from ebbset.controller.detection.stall_rule import StallRule
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection

GRIND_CERTAINTY: Final = 0.5
"""Once the prescribed grinding time is over, an ascent that will more likely fail than not is a stall. Only for a pause
on purpose does the decision wait, until ``still_limit_s``."""
# Judgement, no source: sizes of human wobble and of sensor noise after filtering, not of any one device.
RECOVERED_M_S: Final = 0.2
FASTER_AGAIN_M_S: Final = 0.08


class AscentEvidence(ABC):
    """Evidence of the ascent under way on one cable, and what earlier ascents taught."""

    __slots__ = ()

    @abstractmethod
    def begin(self, t_us: int, load_n: float) -> None:
        """An ascent begins.

        Args:
            t_us: rig time, microseconds.
            load_n: load, newtons.
        """

    @abstractmethod
    def dropped(self, load_n: float) -> None:
        """The load becomes less.

        Args:
            load_n: new load, newtons.
        """

    @abstractmethod
    def ended(self, *, completed: bool, load_changed: bool) -> None:
        """The ascent is over: learn from it.

        Args:
            completed: it came through.
            load_changed: the load went down on the way.
        """

    @abstractmethod
    def sample(self, t: int, v: float, share: float, force_n: float | None) -> None:
        """Take in one filtered sample.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a share of the range of motion.
            force_n: tension, newtons, if known.
        """

    @abstractmethod
    def worth_a_look(self) -> bool:
        """It may be about to stall; anything else is not scored."""

    @abstractmethod
    def scored(self, ascent: Ascent, least: float) -> float:
        """How sure it is that this ascent will fail; under ``least`` any number under ``least``.

        Args:
            ascent: the ascent under way.
            least: score that would be a stall.
        """

    @abstractmethod
    def probability(self, score: float) -> float:
        """Share of ascents with this score that failed in the tuning sets.

        Args:
            score: of an ascent.
        """

    @abstractmethod
    def certain(self, stall: StallSection) -> float:
        """Least score that is a stall.

        Args:
            stall: what counts as a stall.
        """

    def least_score(self, certain: float) -> float:
        """Least score that is a stall now.

        Args:
            certain: the score for a handle of which nothing else is known.
        """
        return certain

    @property
    def pauses(self) -> bool:
        """This person was seen to pause on the way up, so that standing there need not mean want of strength."""
        return False

    def at_usual_top(self, share: float) -> bool:  # noqa: ARG002 - nothing is known of this person's tops
        """This person's ascents often end here.

        Args:
            share: position as a share of the range of motion.
        """
        return False

    def look(
        self,
        rule: StallRule,
        ascent: Ascent,
        t: int,
        x: float,
        v: float,
        f: float | None,
        share: float | None,
        signals: list[Signal],
    ) -> None:
        """Take a sample in, and call a stall as soon as the evidence is certain enough for the rule.

        Args:
            rule: when an ascent counts as stalled.
            ascent: the ascent under way.
            t: rig time, microseconds.
            x: position, metres.
            v: velocity, m/s.
            f: tension, newtons, if the rig reports it.
            share: position as a share of the range of motion, if known.
            signals: a stall is added to them.
        """
        self.sample(t, v, (x - ascent.start_m) / UNKNOWN_M if share is None else share, f)
        if v > RECOVERED_M_S and rule.fired and v > ascent.stall_m_s + FASTER_AGAIN_M_S:
            rule.recovered()
        if not rule.by_evidence or ascent.taking_up or not self.worth_a_look():
            return
        least = self.least_score(rule.certain)
        evidence_score = self.scored(ascent, least)
        duration_s = rule.judge(t) if evidence_score >= least else None
        if duration_s is not None:
            reason = Reason.STALL_FORESEEN if v > rule.threshold_m_s else Reason.STALL_IN_CONCENTRIC
            signals.append(ascent.stalled(reason, t, x, v, f, share, duration_s, self.probability(evidence_score)))
