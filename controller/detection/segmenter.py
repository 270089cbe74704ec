"""Follows one cable: finds repetitions in its samples, and passes on stalls, releases and sensors that disagree.

What lives here: the phases of a handle (in the dock, between ascents, in one) and what leads from one to the other.
What never does: filtering (`kinematic_filter`), what a slow handle in an ascent means (`stall`), releases (`release`),
failed starts (`failed_start`); loads, drops and stop rules. It reads no clock; all times are the rig's own.

Idea. The handle is either in an ascent or it is not. Outside one, the segmenter keeps the lowest position since the
last ascent ended; an ascent begins when the handle has risen clearly above it, and is dated back to when it left it.
Inside one, a fast handle needs only its extremes kept; everything delicate (top, stall, turning back) happens while
the handle is slow, and only then is more than a comparison done.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import repeat
from typing import Final

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.ascent_evidence import AscentEvidence
from ebbset.controller.detection.evidence.habit_evidence import HabitEvidence
from ebbset.controller.detection.evidence.stall_evidence import StallEvidence
from ebbset.controller.detection.failed_start import ONSET_M, FailedStartDetector
from ebbset.controller.detection.kinematic_filter import FilteredSample, KinematicFilter
from ebbset.controller.detection.mean_force_check import MeanForceCheck
from ebbset.controller.detection.range_of_motion import RangeOfMotion
from ebbset.controller.detection.release import ReleaseDetector
from ebbset.controller.detection.sensor_check import SensorCheck
from ebbset.controller.detection.signals import RepetitionEnded, RepetitionStarted, Signal
from ebbset.controller.detection.stall import TURN_BACK_M, AscentOver, SlowPhase
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine

# Judgement, no source: sizes of human wobble and of sensor noise after filtering, not of any one device.
ONSET_VELOCITY_M_S: Final = 0.03
AT_LOW_M: Final = 0.003
MOVED_M: Final = 0.008
NEAR_BOTTOM: Final = 0.15
BACK_PART: Final = 0.35
AWAY_FROM_TOP: Final = 0.2
AWAY_FROM_TOP_M: Final = 0.06
LEAST_AWAY_FROM_TOP_M: Final = 0.04
CAME_DOWN_M: Final = 0.04


class RepetitionSegmenter:
    """Signals of one cable from its samples.

    Args:
        stall: what counts as a stall and a release.
        line: load–velocity line of the lifter, for what is a healthy velocity.
        rom_m: ROM from the profile; ``None``: learned from the first repetitions.
        has_force: the rig reports cable tension.
        evidence: gathers the evidence of ascents; ``None``: what the rule goes by.

    Attributes:
        position_m: filtered position at the end of the last frame.
        velocity_m_s: filtered velocity then.
        in_repetition: an ascent is under way.
        moved_t_us: rig time of the newest movement that was more than a wobble.
    """

    __slots__ = (
        "_anchor_m",
        "_ascent",
        "_by_habits",
        "_check",
        "_dock_m",
        "_filter",
        "_from_dock",
        "_has_force",
        "_last_start_m",
        "_last_top_m",
        "_low_m",
        "_low_t_us",
        "_mean_force",
        "_pending",
        "_release",
        "_rest_m",
        "_seen",
        "_slow",
        "_span",
        "_start",
        "in_repetition",
        "moved_t_us",
        "position_m",
        "velocity_m_s",
    )

    def __init__(
        self,
        *,
        stall: StallSection,
        line: LoadVelocityLine,
        rom_m: float | None,
        has_force: bool,
        evidence: AscentEvidence | None = None,
    ) -> None:
        self.velocity_m_s = 0.0
        self.position_m = 0.0
        self.in_repetition = False
        self.moved_t_us = 0
        self._has_force = has_force
        self._filter = KinematicFilter()
        self._check = SensorCheck()
        self._mean_force = MeanForceCheck()
        self._span = RangeOfMotion(rom_m)
        self._start = FailedStartDetector(stall)
        self._release = ReleaseDetector(stall.release_velocity_m_s)
        self._by_habits = stall.rule == "habits"
        if evidence is None:
            evidence = HabitEvidence() if self._by_habits else StallEvidence(line)
        self._slow = SlowPhase(stall, self._span, evidence)
        self._seen = False
        # outside an ascent
        self._low_m = 0.0
        self._low_t_us = 0
        self._rest_m = 0.0
        self._last_top_m: float | None = None
        self._last_start_m = 0.0
        self._dock_m: float | None = None
        self._anchor_m = 0.0
        self._from_dock = False
        self._pending: RepetitionEnded | None = None
        self._ascent = Ascent(0, 0.0, 0.0, start_t_us=0, start_m=0.0, load_n=0.0, taking_up=False)

    @property
    def rom_reference_m(self) -> float | None:
        """Range of motion that repetitions are measured against; ``None`` until known."""
        return self._span.reference_m

    def new_bout(self) -> None:
        """A programmed rest is over: forget the repetition under way, keep ROM and bottom."""
        self.in_repetition = False
        self._slow.rule.moving()
        self._last_top_m = None
        self._restart_bottom(self._filter.t_us or 0)
        self._release.ascending()
        self._mean_force.restart()

    def load_dropped(self, t_us: int, load_n: float, settle_s: float) -> None:
        """The load is on its way down, and the stall is over.

        Args:
            t_us: rig time.
            load_n: load it goes down to, newtons.
            settle_s: time until which nothing is judged, seconds from ``t_us``.
        """
        hold_us = t_us + round(settle_s * 1e6)
        self._slow.dropped(hold_us, load_n)
        self._ascent.load_changed = True
        self._start.hold(hold_us)

    def feed(
        self,
        t_us: Sequence[int],
        position_m: Sequence[float],
        velocity_m_s: Sequence[float] | None,
        force_n: Sequence[float] | None,
        *,
        load_n: float,
        docked: bool,
    ) -> list[Signal]:
        """Take the samples of a frame, oldest first; the signals they raise, oldest first.

        Args:
            t_us: rig times, shape (n,), microseconds.
            position_m: positions, shape (n,), metres.
            velocity_m_s: velocities, shape (n,), m/s; ``None``: the rig reports none.
            force_n: cable tensions, shape (n,), newtons; ``None``: the rig reports none.
            load_n: load that the rig reports as applied, newtons.
            docked: the handle rests at the rig.
        """
        signals: list[Signal] = []
        if not t_us:
            return signals
        motion = self._filter
        motion.begin_frame(position_m[0])
        columns = zip(t_us, position_m, velocity_m_s or repeat(None), force_n or repeat(None), strict=False)
        while True:
            samples = motion.run(columns)
            if self._release.quiet(samples, motion.slowest_m_s, force_n, load_n=load_n, docked=docked):
                self._follow(samples, load_n, docked, signals)
            else:
                self._follow_with_care(samples, load_n, docked, signals)
            self.position_m, self.velocity_m_s = x, v = motion.position_m, motion.velocity_m_s
            if not motion.restarted:
                break
            self._after_gap()
        last = motion.t_us or 0
        distance = x - self._anchor_m
        if distance > MOVED_M or distance < -MOVED_M:
            self._anchor_m = x
            self.moved_t_us = last
        tension_n = force_n[-1] if force_n is not None else None
        if docked:
            self._docked(last, load_n, signals)
        elif not self.in_repetition:
            self._between(last, x, v, load_n, tension_n, signals)
        trouble = self._check.frame(
            last,
            last - motion.from_t_us,
            motion.moved_by_velocity_m if velocity_m_s is not None else None,
            motion.path_m,
            motion.raw_m - motion.from_raw_m,
            max(motion.high_raw_m, motion.from_raw_m) - min(motion.low_raw_m, motion.from_raw_m),
            tension_n if self._has_force else None,
            load_n,
            docked=docked,
        )
        if force_n is not None and self._has_force and not self._check.told:
            trouble = self._mean_force.frame(
                last, last - motion.from_t_us, motion.from_raw_m, motion.raw_m, v, force_n, load_n, docked=docked
            )
        if trouble is not None:
            signals.append(trouble)
        return signals

    # --- the phases, sample by sample -------------------------------------------------------------------------

    def _follow(self, samples: Iterable[FilteredSample], load_n: float, docked: bool, signals: list[Signal]) -> None:
        left = iter(samples)
        while True:
            ascending = self.in_repetition
            if ascending:
                self._ascend(left, load_n, signals)
            else:
                self._await_ascent(left, load_n, docked, signals)
            if self.in_repetition is ascending:
                return

    def _follow_with_care(
        self, samples: Sequence[FilteredSample], load_n: float, docked: bool, signals: list[Signal]
    ) -> None:
        """Samples that may contain a release, which is reported in order among the other signals."""
        for sample in samples:
            released = self._release.sample(sample)
            if released is not None:
                signals.append(released)
            self._follow((sample,), load_n, docked, signals)

    def _await_ascent(
        self, samples: Iterator[FilteredSample], load_n: float, docked: bool, signals: list[Signal]
    ) -> None:
        """Samples up to the beginning of an ascent."""
        for t, _, x, v, _ in samples:
            if v < ONSET_VELOCITY_M_S or x < self._low_m + AT_LOW_M:
                self._low_t_us = t
                self._rest_m = x
                if x < self._low_m:
                    self._low_m = x
            elif x > self._low_m + ONSET_M and not docked and load_n > 0.0 and self._begins(t, x, v, load_n):
                signals.append(RepetitionStarted(t_us=self._low_t_us))
                return

    def _ascend(self, samples: Iterator[FilteredSample], load_n: float, signals: list[Signal]) -> None:
        """Samples up to the end of the ascent under way."""
        ended = self._slow.follow(self._ascent, samples, signals)
        if ended is not None:
            self._finish(*ended, load_n, signals)

    # --- from one phase to the other --------------------------------------------------------------------------

    def _after_gap(self) -> None:
        """The filter restarted, at the first sample or after a gap too long to bridge."""
        self._check.restart()
        self._mean_force.restart()
        if not self._seen:
            self._seen = True
            t = self._filter.t_us or 0
            self._anchor_m = self.position_m
            self.moved_t_us = t
            self._restart_bottom(t)

    def _restart_bottom(self, t: int) -> None:
        """Restart the search for the lowest position, from where the handle was at the end of the last frame."""
        self._low_m = self._rest_m = self.position_m
        self._low_t_us = t
        self._start.restart(t, self.position_m)

    def _begins(self, t: int, x: float, v: float, load_n: float) -> bool:
        """The handle rose clearly above its lowest position: an ascent, unless it never really came down."""
        low, span = self._low_m, self._span
        if self._never_came_down(low):
            if self._last_top_m is not None and x > self._last_top_m + TURN_BACK_M:
                self._last_top_m = self._low_m = x
                span.went_on_to(x)
            return False
        if self._from_dock and span.bottom_m is not None and low < span.bottom_m - AT_LOW_M:
            # on the way from the dock to where ascents begin
            if x < span.bottom_m + ONSET_M:
                return False
            low = self._rest_m = span.bottom_m
            self._low_t_us = t
        taking_up = self._from_dock and span.bottom_m is None
        self._from_dock = False
        self.in_repetition = True
        self._pending = None
        self._release.ascending()
        self._start.ascending()
        self._ascent = Ascent(
            t,
            x,
            v,
            start_t_us=self._low_t_us,
            start_m=self._rest_m,
            load_n=load_n,
            taking_up=taking_up,
            load_falling=self._slow.rule.holding(t),
        )
        if self._dock_m is not None:
            self._ascent.origin_m = self._dock_m
            self._dock_m = None
        self._slow.begin(t, load_n)
        if not taking_up:
            span.began_at(low)
        return True

    def _never_came_down(self, low: float) -> bool:
        """The lowest position is still near where the last ascent ended."""
        top, rom_m = self._last_top_m, self._span.reference_m
        if top is None:
            return False
        away = AWAY_FROM_TOP * rom_m if rom_m is not None else AWAY_FROM_TOP_M
        if low <= top - max(LEAST_AWAY_FROM_TOP_M, away):
            return False
        # after a failed ascent the handle may have hardly left the bottom, and that is where the next begins
        share = self._span.fraction(low)
        back_m = BACK_PART * (top - self._last_start_m)
        return low > self._last_start_m + back_m and (share is None or share > NEAR_BOTTOM)

    def _finish(self, over: AscentOver, t: int, x: float, load_n: float, signals: list[Signal]) -> None:
        """The current ascent has ended."""
        if over.taken_up:
            # the first rest after the dock is where ascents begin; as far as is known, nothing was lifted yet
            self._pending = None if over.outcome is None else self._ascent.ended(over.outcome, load_n)
            self._dock_m = self._ascent.start_m
            self.in_repetition = self._ascent.taking_up = False
            self._span.bottom_m = x
            self._restart_bottom(t)
            self._start.restart(t, x, slowed=self._ascent.slowed, below_any_top=over.outcome is None)
        elif over.outcome is not None:
            self._end(t, over.outcome, load_n, signals)

    def _end(self, t: int, outcome: RepetitionOutcome, load_n: float, signals: list[Signal]) -> None:
        ascent = self._ascent
        ended = ascent.ended(outcome, load_n)
        completed = outcome is RepetitionOutcome.COMPLETED
        if completed and not ascent.taking_up:
            self._span.completed(ended.rom_m, ascent.peak_m)
        self._slow.ended(completed=completed, load_changed=ended.load_changed)
        self.in_repetition = False
        self._last_top_m, self._last_start_m = ascent.peak_m, ascent.start_m
        self._restart_bottom(t)
        signals.append(ended)

    # --- once a frame, outside an ascent ----------------------------------------------------------------------

    def _docked(self, t: int, load_n: float, signals: list[Signal]) -> None:
        """The handle rests at the rig: any current ascent is over, and no failed start is possible."""
        if self.in_repetition:
            outcome = RepetitionOutcome.FAILED if self._ascent.stalls else RepetitionOutcome.PARTIAL
            self._end(t, outcome, load_n, signals)
        self._last_top_m = None
        self._release.docked()
        self._from_dock = True
        self._dock_m = None
        self._restart_bottom(t)

    def _between(self, t: int, x: float, v: float, load_n: float, force_n: float | None, signals: list[Signal]) -> None:
        """A frame that ends outside an ascent and out of the dock."""
        span = self._span
        if self._pending is not None and span.bottom_m is not None and x < span.bottom_m - CAME_DOWN_M:
            self._came_down(self._pending, span.bottom_m, t, signals)
        if load_n <= 0.0:
            return
        stall = self._start.frame(
            t,
            x,
            v,
            force_n,
            low_m=self._low_m,
            bottom_m=span.lowest_usual_m if self._by_habits else span.bottom_m,
            fraction=span.fraction(x),
            last_top_m=self._last_top_m,
            known=span.known,
            confirmed=span.bottom_confirmed,
        )
        if stall is not None:
            self._pending = None
            signals.append(stall)

    def _came_down(self, ended: RepetitionEnded, top_m: float, t: int, signals: list[Signal]) -> None:
        """The first rest out of the dock was a top after all."""
        self._pending = None
        self._span.bottom_m = top_m - ended.rom_m
        self._last_top_m, self._last_start_m = top_m, top_m - ended.rom_m
        self._dock_m = None
        self._span.completed(ended.rom_m, top_m)
        self._restart_bottom(t)
        signals.append(ended)
