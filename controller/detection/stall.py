"""What a slow handle in an ascent means: the top, a stall, a reversal, or a sticking region that will be overcome.

What lives here: an ascent of one cable, sample by sample, and these decisions, from where the handle is and why it is
slow. What never does: when an ascent begins (`segmenter`), how long slow is too long (`stall_rule`), the evidence of an
ascent (`evidence`), strength (`capacity`), loads (policies).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from ebbset.controller.detection.ascent import LOAD_CHANGED_PART, Ascent
from ebbset.controller.detection.evidence.ascent_evidence import AscentEvidence
from ebbset.controller.detection.kinematic_filter import FilteredSample
from ebbset.controller.detection.range_of_motion import RangeOfMotion
from ebbset.controller.detection.signals import Signal, StallSeen
from ebbset.controller.detection.stall_rule import StallRule
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome

# Judgement, no source: sizes of human wobble and of sensor noise after filtering, not of any one device.
TURN_BACK_M: Final = 0.015
REBOUND_M: Final = 0.03
REBOUND_PART: Final = 0.35
"""By the rule "habits" a handle that was stopped hard has turned back once it is so far down, also as a part of its way
up: who stops dead on the way overshoots and comes back to the place meant, and may yet fail to go on from there."""
TURN_VELOCITY_M_S: Final = -0.02
TOP_FRACTION: Final = 0.85
WHOLE_FRACTION: Final = 0.97
BRAKED_TOP_FRACTION: Final = 0.8
LONGEST_FRACTION: Final = 1.2
LEAST_ROM_M: Final = 0.05
FIRST_ROM_M: Final = 0.20
TOP_REST_US: Final = 80_000
SHORT_TOP_REST_US: Final = 800_000
TAKEN_UP_US: Final = 120_000
MAXIMAL_SLOW_US: Final = 250_000
LIMIT_PROBABILITY: Final = 0.9
"""Told for a stall that is called for standing still alone."""
REVERSAL_PROBABILITY: Final = 0.95
LOOK_EVERY_US: Final = 9_000


@dataclass(frozen=True, slots=True)
class AscentOver:
    """An ascent that has ended.

    Attributes:
        outcome: what it was; ``None`` when the handle was only taken out of the dock.
        taken_up: the handle rests for the first time since the dock.
    """

    outcome: RepetitionOutcome | None
    taken_up: bool = False


class SlowPhase:
    """Follows the ascents of one cable, and judges their slow samples.

    Args:
        stall: what counts as a stall.
        span: bottom and reference range of motion, kept by the segmenter.
        evidence: gathers what an ascent says about itself.

    Attributes:
        rule: when an ascent counts as stalled.
        evidence: as given.
    """

    __slots__ = (
        "_attempt_m_s",
        "_by_habits",
        "_look_t_us",
        "_ordered_n",
        "_slow_m_s",
        "_span",
        "evidence",
        "rule",
    )

    def __init__(self, stall: StallSection, span: RangeOfMotion, evidence: AscentEvidence) -> None:
        self.rule = StallRule(stall, evidence.certain(stall))
        self._by_habits = stall.rule == "habits"
        self.evidence = evidence
        self._span = span
        self._ordered_n = 0.0
        self._slow_m_s = max(2.0 * stall.velocity_m_s, 0.05)
        self._attempt_m_s = stall.velocity_m_s + 0.1
        self._look_t_us = 0

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

    def follow(
        self, ascent: Ascent, samples: Iterator[FilteredSample], signals: list[Signal]
    ) -> tuple[AscentOver, int, float] | None:
        """Take samples up to the end of the ascent; how it ended, when and where, or None if it goes on.

        Args:
            ascent: the ascent under way.
            samples: those of the frame that are left, oldest first.
            signals: a stall is added to them.
        """
        rule, evidence = self.rule, self.evidence
        offset = rule.motion_offset
        slow_m_s = self._slow_m_s
        # read once: neither changes within an ascent (`RangeOfMotion.fraction` is the rule)
        bottom_m, rom_m = self._span.bottom_m, self._span.reference_m
        for t, raw_m, x, v, f in samples:
            if offset is not None:
                offset.sample(t, raw_m)
            if f is not None:
                ascent.force_sum_n += f
                ascent.force_count += 1
            share = None if bottom_m is None or rom_m is None else (x - bottom_m) / rom_m
            over = None
            if v > slow_m_s:
                ascent.fast(t, x, v, self._attempt_m_s)
                # `rule.moving`, without a call for each fast sample
                rule.slow_since_us, rule.due_us = None, 0
            elif (
                t < rule.due_us
                and TURN_VELOCITY_M_S <= v <= rule.threshold_m_s
                and ascent.lull_m_s <= v
                and x <= ascent.peak_m
                and not ascent.taking_up
                and share is not None
                and share < TOP_FRACTION
            ):
                # It stands where no repetition ends, and not for long enough yet; else the order of `slow` decides.
                rule.slow_t_us = t
            else:
                over = self.slow(ascent, t, x, v, f, share, signals)
            if t - self._look_t_us >= LOOK_EVERY_US:
                self._look_t_us = t
                if over is None:
                    evidence.look(rule, ascent, t, x, v, f, share, signals)
            if over is not None:
                return over, t, x
        return None

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
            # the longer way up makes it a gentler stop
            self.rule.ask_anew()
        if v < ascent.lull_m_s:
            ascent.lull_m_s = v
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
        self._standing(ascent, t, x, v, f, share, signals)
        return None

    def _standing(
        self, ascent: Ascent, t: int, x: float, v: float, f: float | None, share: float | None, signals: list[Signal]
    ) -> None:
        """Slow under any top: a stall when that lasts. Why it stands is asked only once that makes a difference."""
        rule = self.rule
        if rule.slow_since_us is None or t < rule.due_us:
            rule.slow(t)
            return
        slowed = ascent.slowed
        if not slowed:
            rule.not_slowed()
        weak = slowed and not self.evidence.pauses and not _was_helped(ascent, x)
        at_a_top = not slowed and self._presumed_top(ascent, x, share)
        duration_s = rule.slow(t, slowed=weak, at_a_top=at_a_top)
        if duration_s is not None:
            reason, limit_s = Reason.STALL_IN_CONCENTRIC, rule.slowed_limit_s if weak else None
            signals.append(ascent.stalled(reason, t, x, v, f, share, duration_s, LIMIT_PROBABILITY, limit_s))

    def _at_an_end(self, ascent: Ascent, t: int, x: float, v: float, share: float | None) -> AscentOver | None:
        """The top, or the first rest out of the dock.

        A handle that leaves the top, or rests there, has finished its ascent; one that stands a little short of it may
        still be fighting, so the evidence is given time.
        """
        over = self._out_of_the_dock(ascent, t, x, share) if ascent.taking_up else None
        if over is not None or not self._at_top(ascent, x, share):
            return over
        short = share is not None and share < WHOLE_FRACTION and not self.evidence.at_usual_top(share)
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
        back_m = TURN_BACK_M
        if self._by_habits and ascent.braked:
            back_m = max(REBOUND_M, REBOUND_PART * (ascent.peak_m - ascent.start_m))
        if x >= ascent.peak_m - back_m:
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


def _was_helped(ascent: Ascent, x: float) -> bool:
    """That it slowed down does not mean want of strength.

    Who was helped once in this ascent, or on the way out of the dock, may have come to the bottom and be resting there.
    """
    return ascent.stalls > 0 or (ascent.load_falling and x - ascent.start_m < FIRST_ROM_M)


def _outcome_at_top(ascent: Ascent, x: float) -> RepetitionOutcome:
    """Through, unless it stalled there and has not moved since."""
    stuck = ascent.stalls > 0 and x < ascent.stall_m + TURN_BACK_M
    return RepetitionOutcome.FAILED if stuck else RepetitionOutcome.COMPLETED
