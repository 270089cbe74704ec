"""What a slow handle in an ascent means: the top, a stall, a reversal, or a sticking region that will be overcome.

What lives here: these decisions for one cable, from how long the handle has been still and from the evidence of the
ascent. What never does: when an ascent begins (`segmenter`), what its evidence is (`stall_evidence`), strength
(`capacity`), loads (policies).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.detection.ascent import LOAD_CHANGED_PART, Ascent
from ebbset.controller.detection.motion_offset import MotionOffset
from ebbset.controller.detection.range_of_motion import UNKNOWN_M, RangeOfMotion
from ebbset.controller.detection.signals import Signal, StallSeen
from ebbset.controller.detection.stall_classifier import probability_of, score_of
from ebbset.controller.detection.stall_evidence import StallEvidence, score
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome

FILTER_LAG_US: Final = 22_000
"""The filtered velocity falls below a threshold this much later than the true one; measured on simulated stalls."""
GRIND_CERTAINTY: Final = 0.5
"""Once the prescribed grinding time is over, an ascent that will more likely fail than not is a stall. Only for a pause
on purpose does the decision wait, until ``still_limit_s``."""
HALF_A_LOOK_US: Final = 5_000
"""A handle is evaluated about every 10 ms: a grinding time is over at the evaluation nearest to its end."""
# Judgement, no source: sizes of human wobble and of sensor noise after filtering, not of any one device.
TURN_BACK_M: Final = 0.015
TURN_VELOCITY_M_S: Final = -0.02
TOP_FRACTION: Final = 0.85
WHOLE_FRACTION: Final = 0.97
BRAKED_TOP_FRACTION: Final = 0.8
LONGEST_FRACTION: Final = 1.2
LEAST_ROM_M: Final = 0.05
SLOWED_US: Final = 700_000
"""A handle that slowed down for want of strength and stands for this long counts as stalled."""
FLICKER_US: Final = 60_000
"""A handle that slowed down for want of strength and is faster than the stall velocity for less than this has not moved
on: the muscle trembles, and the filter lets some noise through. Judgement."""
FIRST_ROM_M: Final = 0.20
TOP_REST_US: Final = 80_000
SHORT_TOP_REST_US: Final = 800_000
TAKEN_UP_US: Final = 120_000
MAXIMAL_SLOW_US: Final = 250_000
RECOVERED_M_S: Final = 0.2
FASTER_AGAIN_M_S: Final = 0.08
LIMIT_PROBABILITY: Final = 0.9
"""Told for a stall that is called for standing still alone."""
REVERSAL_PROBABILITY: Final = 0.95


@dataclass(frozen=True, slots=True)
class AscentOver:
    """An ascent that has ended.

    Attributes:
        outcome: what it was; ``None`` when the handle was only taken out of the dock.
        taken_up: the handle rests for the first time since the dock.
    """

    outcome: RepetitionOutcome | None
    taken_up: bool = False


class StallRule:
    """Decides when an ascent counts as stalled.

    Motion has ended at the last instant at which the handle was faster than ``velocity_m_s``; ``grind_s`` counts from
    there. With the rule "dwell" the handle must have been slower for ``dwell_s``; with the rule "evidence" the ascent
    is called as soon as it is certain enough that it will not come through, which is often before motion has ended,
    and at the latest after ``still_limit_s``.

    Attributes:
        threshold_m_s: the stall velocity.
        by_evidence: the rule is "evidence".
        certain: least score of the evidence that is a stall.
        slow_since_us: rig time at which the handle fell below the stall velocity, ``None`` while it moves.
        motion_offset: tells that time more exactly a little later; only where a grinding time is prescribed.
    """

    __slots__ = (
        "_fired",
        "_grind_us",
        "_hold_until_us",
        "_limit_us",
        "_slow_t_us",
        "_slowed_us",
        "_still_since_us",
        "by_evidence",
        "certain",
        "motion_offset",
        "slow_since_us",
        "threshold_m_s",
    )

    def __init__(self, stall: StallSection) -> None:
        self.threshold_m_s = stall.velocity_m_s
        self.by_evidence = stall.rule == "evidence"
        self._grind_us = round(stall.grind_s * 1e6)
        self.certain = score_of(stall.certainty if self._grind_us == 0 else min(stall.certainty, GRIND_CERTAINTY))
        self._limit_us = self._grind_us + round((stall.still_limit_s if self.by_evidence else stall.dwell_s) * 1e6)
        self._slowed_us = min(self._limit_us, self._grind_us + SLOWED_US) if self.by_evidence else self._limit_us
        self.motion_offset = MotionOffset(stall.velocity_m_s) if self._grind_us > 0 else None
        self.slow_since_us: int | None = None
        self._still_since_us = 0
        self._slow_t_us: int | None = None
        self._hold_until_us = 0
        self._fired = False

    def moving(self) -> None:
        """The handle is faster than the stall velocity."""
        self.slow_since_us = None

    def recovered(self) -> None:
        """The ascent is well under way, or a new one begins: a stall may be called again."""
        self._restart()
        self._fired = False

    @property
    def fired(self) -> bool:
        """A stall was called and is not over."""
        return self._fired

    @property
    def slowed_limit_s(self) -> float | None:
        """Standstill after which a handle that slowed down for want of strength is stalled; None: as any other."""
        return self._slowed_us * 1e-6 if self._slowed_us < self._limit_us else None

    def hold(self, until_us: int) -> None:
        """A drop is under way: judge again from ``until_us`` on."""
        self._hold_until_us = until_us
        self._restart()
        self._fired = False

    def holding(self, t_us: int) -> bool:
        """A drop is under way: nothing is judged before the new load has settled."""
        return t_us < self._hold_until_us

    def _restart(self) -> None:
        self.slow_since_us = self._slow_t_us = None
        if self.motion_offset is not None:
            self.motion_offset.restart()

    def _ended_us(self) -> int | None:
        """When motion ended, as exactly as is known so far."""
        since = self.slow_since_us
        exact = self.motion_offset.at_us if self.motion_offset is not None else None
        return since if exact is None else exact

    def slow(self, t_us: int, *, slowed: bool = False, at_a_top: bool = False) -> float | None:
        """The handle is slower than the stall velocity; seconds since motion ended when that alone is a stall, once.

        Args:
            t_us: rig time.
            slowed: it slowed down for want of strength.
            at_a_top: it stopped on purpose where a repetition may end, so that standing is no stall as long as that
                holds.
        """
        if self.holding(t_us):
            return None
        before_us, self._slow_t_us = self._slow_t_us, t_us
        if self.slow_since_us is None:
            self.slow_since_us = t_us - FILTER_LAG_US
            if before_us is None or t_us - before_us > FLICKER_US:
                self._still_since_us = self.slow_since_us
            return None
        since = self._ended_us()
        limit_us = self._slowed_us if slowed else self._limit_us
        if slowed and self.by_evidence and self._grind_us == 0:
            since = self._still_since_us
        if at_a_top or self._fired or since is None or t_us - since < limit_us:
            return None
        self._fired = True
        return (t_us - since) * 1e-6

    def judge(self, t_us: int, evidence_score: float) -> float | None:
        """Seconds since motion ended when the evidence makes it a stall, once; 0 when it was foreseen.

        Args:
            t_us: rig time.
            evidence_score: of the ascent so far.
        """
        if self._fired or evidence_score < self.certain or self.holding(t_us):
            return None
        since = self._ended_us()
        if self._grind_us > 0 and (since is None or t_us - since < self._grind_us - HALF_A_LOOK_US):
            return None
        self._fired = True
        return 0.0 if since is None else (t_us - since) * 1e-6


class SlowPhase:
    """Judges the slow samples of the ascents of one cable.

    Args:
        stall: what counts as a stall.
        span: bottom and reference range of motion, kept by the segmenter.
        evidence: gathers what an ascent says about itself.

    Attributes:
        rule: when an ascent counts as stalled.
        evidence: as given.
    """

    __slots__ = ("_ordered_n", "_span", "evidence", "rule")

    def __init__(self, stall: StallSection, span: RangeOfMotion, evidence: StallEvidence) -> None:
        self.rule = StallRule(stall)
        self.evidence = evidence
        self._span = span
        self._ordered_n = 0.0

    def begin(self, t_us: int, load_n: float) -> None:
        """An ascent begins at this rig time and load.

        Args:
            t_us: rig time, microseconds.
            load_n: load, newtons on this cable.
        """
        self.rule.recovered()
        self.evidence.begin(t_us, load_n)

    def ended(self, *, completed: bool, load_changed: bool) -> None:
        """It is over: the evidence learns from it.

        Args:
            completed: it reached the top.
            load_changed: the load changed during it.
        """
        self.rule.moving()
        self.evidence.ended(completed=completed, load_changed=load_changed)

    def dropped(self, until_us: int, load_n: float) -> None:
        """The load goes down to ``load_n``; judge again from ``until_us`` on.

        Args:
            until_us: rig time at which the load has settled, microseconds.
            load_n: new load, newtons on this cable.
        """
        self.rule.hold(until_us)
        self._ordered_n = load_n
        self.evidence.dropped(load_n)

    def slow(
        self, ascent: Ascent, t: int, x: float, v: float, f: float | None, share: float | None, signals: list[Signal]
    ) -> AscentOver | None:
        """A sample that is not clearly on its way up; how the ascent ended, if it did.

        Args:
            ascent: the ascent under way.
            t: rig time, microseconds.
            x: position, metres.
            v: velocity, m/s.
            f: tension, newtons, if the rig reports it.
            share: position as a share of the range of motion, if known.
            signals: a stall is added to them.
        """
        if x > ascent.peak_m:
            ascent.peak_m = x
        if v < ascent.least_m_s:
            ascent.least_m_s = v
        if v > self.rule.threshold_m_s:
            ascent.moving(t, x, v)
            self.rule.moving()
            return None
        over = self._at_an_end(ascent, t, x, v, share)
        if over is not None:
            return over
        if share is not None and share >= WHOLE_FRACTION:
            return None
        if v < TURN_VELOCITY_M_S:
            return self._turning_back(ascent, t, x, v, f, share, signals)
        at_a_top = self._presumed_top(ascent, x, share)
        slowed = _for_want_of_strength(ascent, x)
        duration_s = self.rule.slow(t, slowed=slowed, at_a_top=at_a_top)
        if duration_s is not None:
            limit_s = self.rule.slowed_limit_s if slowed else None
            self._stalled(ascent, t, x, v, f, share, duration_s, LIMIT_PROBABILITY, signals, slowed_limit_s=limit_s)
        return None

    def _at_an_end(self, ascent: Ascent, t: int, x: float, v: float, share: float | None) -> AscentOver | None:
        """The top, or the first rest out of the dock.

        A handle that leaves the top, or rests there, has finished its ascent; one that stands a little short of it may
        still be fighting, so the evidence is given time.
        """
        over = self._out_of_the_dock(ascent, t, x, share) if ascent.taking_up else None
        if over is not None or not self._at_top(ascent, x, share):
            return over
        short = share is not None and share < WHOLE_FRACTION
        return (
            AscentOver(_outcome_at_top(ascent, x)) if self._has_reached_the_top(ascent, t, x, v, short=short) else None
        )

    def _out_of_the_dock(self, ascent: Ascent, t: int, x: float, share: float | None) -> AscentOver | None:
        """A first rest out of the dock: where ascents begin, a pause, or a top; the next movement tells.

        Who takes a handle up with care slows down as gently as somebody who is stuck, so that is for the patience.
        """
        if t - ascent.up_t_us < TAKEN_UP_US:
            return None
        return AscentOver(RepetitionOutcome.COMPLETED if self._at_top(ascent, x, share) else None, taken_up=True)

    def _at_top(self, ascent: Ascent, x: float, share: float | None) -> bool:
        """High enough for a repetition; how high that is, is only guessed before a ROM is known."""
        if share is not None:
            return share >= TOP_FRACTION
        rom_m = self._span.reference_m
        return x - ascent.start_m >= (FIRST_ROM_M if rom_m is None else TOP_FRACTION * rom_m)

    def _presumed_top(self, ascent: Ascent, x: float, share: float | None) -> bool:
        """Stopped on purpose where a repetition may end, so that standing there says nothing."""
        if not ascent.braked:
            return False
        rom_m = self._span.reference_m
        if rom_m is None:
            return True
        travel_m = x - ascent.start_m
        from_origin_m = x - ascent.origin_m
        highest_m = from_origin_m if from_origin_m < LONGEST_FRACTION * rom_m else travel_m
        return max(highest_m, travel_m, -1.0 if share is None else share * rom_m) >= BRAKED_TOP_FRACTION * rom_m

    def look(
        self, ascent: Ascent, t: int, x: float, v: float, f: float | None, share: float | None, signals: list[Signal]
    ) -> None:
        """Take a sample in as evidence, and call a stall as soon as it is certain enough.

        Args:
            ascent: the ascent under way.
            t: rig time, microseconds.
            x: position, metres.
            v: velocity, m/s.
            f: tension, newtons, if the rig reports it.
            share: position as a share of the range of motion, if known.
            signals: a stall is added to them.
        """
        rule = self.rule
        evidence = self.evidence
        evidence.sample(t, v, (x - ascent.start_m) / UNKNOWN_M if share is None else share)
        if v > RECOVERED_M_S and rule.fired and v > ascent.stall_m_s + FASTER_AGAIN_M_S:
            rule.recovered()
        if not rule.by_evidence or ascent.taking_up or not evidence.worth_a_look():
            return
        evidence_score = score(evidence.evidence(), rule.certain)
        duration_s = rule.judge(t, evidence_score)
        if duration_s is not None:
            self._stalled(ascent, t, x, v, f, share, duration_s, probability_of(evidence_score), signals)

    def _has_reached_the_top(self, ascent: Ascent, t: int, x: float, v: float, *, short: bool) -> bool:
        """High enough for a repetition, and leaving or resting."""
        unknown = self._span.reference_m is None
        if unknown and x >= ascent.peak_m - TURN_BACK_M and ascent.slowed:
            # a top or a stall: going down at once is a top, standing a stall
            return False
        if v < TURN_VELOCITY_M_S and (not short or x < ascent.peak_m - TURN_BACK_M):
            return True
        # slow for long before the last of its way up, not only resting since
        fighting = short and (ascent.slowed or ascent.up_t_us - ascent.fast_t_us > MAXIMAL_SLOW_US)
        rest_us = SHORT_TOP_REST_US if short else TOP_REST_US
        return not fighting and not ascent.taking_up and t - ascent.up_t_us >= rest_us

    def _turning_back(
        self, ascent: Ascent, t: int, x: float, v: float, f: float | None, share: float | None, signals: list[Signal]
    ) -> AscentOver | None:
        """On its way down: a wobble until it has gone far enough to be a turn.

        Below the top it is a failure if it was an attempt with all there was, else a partial repetition.
        """
        if x >= ascent.peak_m - TURN_BACK_M:
            return None
        highest = self._span.fraction(ascent.peak_m)
        if highest is not None and highest >= TOP_FRACTION:
            return AscentOver(_outcome_at_top(ascent, ascent.peak_m))
        slow_us = t - ascent.fast_t_us
        if self._presumed_top(ascent, ascent.peak_m, highest) and ascent.peak_m - ascent.start_m > LEAST_ROM_M:
            return AscentOver(_outcome_at_top(ascent, ascent.peak_m))
        if ascent.stalls or self._under_a_load_on_its_way(ascent, t):
            return AscentOver(RepetitionOutcome.FAILED)
        if ascent.braked:
            return AscentOver(RepetitionOutcome.PARTIAL)
        if slow_us < MAXIMAL_SLOW_US:
            return AscentOver(RepetitionOutcome.PARTIAL)
        signals.append(
            StallSeen(
                reason=Reason.REVERSAL,
                t_us=t,
                velocity_m_s=v,
                force_n=f,
                position_fraction=share,
                duration_s=slow_us * 1e-6,
                probability=REVERSAL_PROBABILITY,
            )
        )
        return AscentOver(RepetitionOutcome.FAILED)

    def _under_a_load_on_its_way(self, ascent: Ascent, t: int) -> bool:
        """It began before the load that was ordered last stood, so that its failure says nothing about that load."""
        return self.rule.holding(t) and ascent.start_load_n > (1.0 + LOAD_CHANGED_PART) * self._ordered_n

    def _stalled(
        self,
        ascent: Ascent,
        t: int,
        x: float,
        v: float,
        f: float | None,
        share: float | None,
        duration_s: float,
        probability: float,
        signals: list[Signal],
        slowed_limit_s: float | None = None,
    ) -> None:
        ascent.stalls += 1
        ascent.stall_m, ascent.stall_m_s = x, v
        foreseen = v > self.rule.threshold_m_s
        signals.append(
            StallSeen(
                reason=Reason.STALL_FORESEEN if foreseen else Reason.STALL_IN_CONCENTRIC,
                t_us=t,
                velocity_m_s=v,
                force_n=f,
                position_fraction=share,
                duration_s=duration_s,
                probability=probability,
                slowed_limit_s=slowed_limit_s,
            )
        )


def _for_want_of_strength(ascent: Ascent, x: float) -> bool:
    """It stands where it slowed down, though nothing else explains that.

    Who was helped once in this ascent, or on the way out of the dock, may have come to the bottom and be resting there.
    """
    helped = ascent.stalls > 0 or (ascent.load_falling and x - ascent.start_m < FIRST_ROM_M)
    return ascent.slowed and not helped


def _outcome_at_top(ascent: Ascent, x: float) -> RepetitionOutcome:
    """Through, unless it stalled there and has not moved since."""
    stuck = ascent.stalls > 0 and x < ascent.stall_m + TURN_BACK_M
    return RepetitionOutcome.FAILED if stuck else RepetitionOutcome.COMPLETED
