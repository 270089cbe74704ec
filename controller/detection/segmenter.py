"""Follows one cable: filters its samples, finds repetitions, stalls, releases and sensors that disagree.

What lives here: the filter and the segmenter, one tight loop over the samples of a frame. What never does: loads,
drops, stop rules; the tracker only says what the handle did. It reads no clock; all times are the rig's own.

Idea. The handle is either in an ascent or it is not. Outside one, the tracker keeps the lowest position since the last
ascent ended; an ascent begins when the handle has risen clearly above it, and is dated back to when it left it.
Inside one, a fast handle needs only its extremes kept; everything delicate (top, stall, turning back) happens while
the handle is slow, and only then is more than a comparison done.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat
from typing import Final

from ebbset.controller.detection.failed_start import ONSET_M, FailedStartDetector
from ebbset.controller.detection.range_of_motion import UNKNOWN_M, RangeOfMotion
from ebbset.controller.detection.sensor_check import SensorCheck
from ebbset.controller.detection.signals import ReleaseSeen, RepetitionEnded, RepetitionStarted, Signal, StallSeen
from ebbset.controller.detection.stall import StallRule
from ebbset.controller.detection.stall_classifier import probability_of, score
from ebbset.controller.detection.stall_evidence import StallEvidence
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.wire import RepetitionOutcome
from ebbset.models.physiology.load_velocity import LoadVelocityLine

# Judgement, no source: sizes of human wobble and of sensor noise after filtering, not of any one device.
ONSET_VELOCITY_M_S: Final = 0.03
AT_LOW_M: Final = 0.003
TURN_BACK_M: Final = 0.015
TURN_VELOCITY_M_S: Final = -0.02
TOP_FRACTION: Final = 0.85
TOP_REST_US: Final = 80_000
SHORT_TOP_REST_US: Final = 800_000
TAKEN_UP_US: Final = 120_000
MOVED_M: Final = 0.008
NEAR_BOTTOM: Final = 0.15
CAME_DOWN_M: Final = 0.04
FIRST_ROM_M: Final = 0.20
FILTER_S: Final = 0.018
GAP_US: Final = 300_000
WHOLE_FRACTION: Final = 0.97
LOOK_EVERY_US: Final = 9_000
LIMIT_PROBABILITY: Final = 0.9
RECOVERED_M_S: Final = 0.2
FASTER_AGAIN_M_S: Final = 0.08
SLACK_PART: Final = 0.2
TAUT_PART: Final = 0.6
SLACK_US: Final = 40_000
MAXIMAL_SLOW_US: Final = 250_000
NOTHING: Final[list[Signal]] = []
_NEVER_US: Final = -(10**15)


class RepetitionSegmenter:
    """Signals of one cable from its samples.

    Args:
        stall: what counts as a stall and a release.
        line: load–velocity line of the lifter, for what is a healthy velocity.
        rom_m: ROM from the profile; ``None``: learned from the first repetitions.
        has_force: the rig reports cable tension.
    """

    __slots__ = (
        "_anchor_m",
        "_attempt_m_s",
        "_check",
        "_dt_s",
        "_fast_t_us",
        "_force_count",
        "_force_sum",
        "_foresight",
        "_from_dock",
        "_gain_v",
        "_gain_vx",
        "_gain_x",
        "_has_force",
        "_last_top_m",
        "_load_changed",
        "_look_t_us",
        "_low_m",
        "_low_t_us",
        "_min_v",
        "_peak_m",
        "_peak_v",
        "_pending",
        "_range",
        "_raw_m",
        "_release_m_s",
        "_released",
        "_rest_m",
        "_rule",
        "_slack_since_us",
        "_slow_m_s",
        "_stall_m",
        "_stall_v",
        "_stalls",
        "_start",
        "_start_load_n",
        "_start_m",
        "_start_t_us",
        "_t_us",
        "_taking_up",
        "_taut",
        "_up_m",
        "_up_t_us",
        "in_repetition",
        "moved_t_us",
        "position_m",
        "velocity_m_s",
    )

    def __init__(self, *, stall: StallSection, line: LoadVelocityLine, rom_m: float | None, has_force: bool) -> None:
        self.velocity_m_s = 0.0
        self.position_m = 0.0
        self.in_repetition = False
        self.moved_t_us = 0
        self._has_force = has_force
        self._rule = StallRule(stall)
        self._check = SensorCheck()
        self._range = RangeOfMotion(rom_m)
        self._start = FailedStartDetector(stall)
        self._foresight = StallEvidence(line)
        self._look_t_us = 0
        self._taut = False
        self._slow_m_s = max(2.0 * stall.velocity_m_s, 0.05)
        self._attempt_m_s = stall.velocity_m_s + 0.1
        self._release_m_s = -stall.release_velocity_m_s
        self._t_us: int | None = None
        self._raw_m = 0.0
        self._dt_s = 0.0
        self._gain_x = self._gain_vx = self._gain_v = 0.0
        # outside a repetition
        self._low_m = 0.0
        self._low_t_us = 0
        self._rest_m = 0.0
        self._last_top_m: float | None = None
        self._anchor_m = 0.0
        self._slack_since_us: int | None = None
        self._released = False
        self._from_dock = False
        # inside a repetition
        self._taking_up = False
        self._pending: RepetitionEnded | None = None
        self._start_m = 0.0
        self._start_t_us = 0
        self._start_load_n = 0.0
        self._load_changed = False
        self._peak_m = 0.0
        self._peak_v = 0.0
        self._min_v = 0.0
        self._up_m = 0.0
        self._up_t_us = 0
        self._fast_t_us = 0
        self._force_sum = 0.0
        self._force_count = 0
        self._stalls = 0
        self._stall_m = self._stall_v = 0.0

    @property
    def rom_reference_m(self) -> float | None:
        """Range of motion that repetitions are measured against; ``None`` until known."""
        return self._range.reference_m

    @property
    def stalled_since_us(self) -> int | None:
        """Rig time since when the handle has been too slow inside an ascent."""
        return self._rule.slow_since_us if self.in_repetition else None

    def new_bout(self) -> None:
        """A programmed rest is over: forget the repetition under way, keep ROM and bottom."""
        self.in_repetition = False
        self._rule.moving()
        self._last_top_m = None
        self._restart_bottom(self._t_us or 0)
        self._released = False

    def load_dropped(self, t_us: int, load_n: float, settle_s: float) -> None:
        """The load is on its way down to ``load_n``: the stall is over; judge again after ``settle_s``."""
        hold_us = t_us + round(settle_s * 1e6)
        self._rule.hold(hold_us)
        self._foresight.dropped(load_n)
        self._load_changed = True
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
        """Take the samples of a frame, oldest first; the signals they raise, oldest first."""
        signals = NOTHING
        if not t_us:
            return signals
        last = _NEVER_US if self._t_us is None else self._t_us
        x = self.position_m
        v = self.velocity_m_s
        raw = self._raw_m
        dt_s = self._dt_s
        gain_x, gain_vx, gain_v = self._gain_x, self._gain_vx, self._gain_v
        release = self._release_m_s
        slow = self._slow_m_s
        look = self._look_t_us
        motion_end = self._rule.motion_end
        slack_n = SLACK_PART * load_n if load_n > 20.0 and not docked else -1e9
        taut_n = TAUT_PART * load_n if load_n > 20.0 else 1e9
        moved_by_velocity = path = 0.0
        low_raw = high_raw = position_m[0]
        for t, z, w, f in zip(t_us, position_m, velocity_m_s or repeat(None), force_n or repeat(None), strict=False):
            since_us = t - last
            if since_us > GAP_US:
                self._begin(t, z, w if w is not None else 0.0, first=last == _NEVER_US)
                x, v, raw, last = self.position_m, self.velocity_m_s, z, t
                continue
            if since_us <= 0:
                continue
            dt = since_us * 1e-6
            last = t
            if dt != dt_s:
                dt_s = dt
                q = dt / FILTER_S
                pole = 1.0 / (1.0 + q + 0.5 * q * q)
                gain_x = 1.0 - pole * pole
                gain_vx = (1.0 - pole) * (1.0 - pole) / dt
                gain_v = dt / (dt + FILTER_S)
            x += v * dt
            e = z - x
            x += gain_x * e
            v += gain_vx * e
            if w is not None:
                v += gain_v * (w - v)
                moved_m = w * dt
                moved_by_velocity += moved_m
                path += moved_m if w > 0.0 else -moved_m
            if z < low_raw:
                low_raw = z
            elif z > high_raw:
                high_raw = z
            raw = z
            if v < release or (f is not None and f < slack_n):
                signals = self._perhaps_released(t, x, v, f, signals)
            elif f is not None:
                self._slack_since_us = None
                if f > taut_n:
                    self._taut = True
            if self.in_repetition:
                if motion_end is not None:
                    motion_end.sample(t, z)
                if f is not None:
                    self._force_sum += f
                    self._force_count += 1
                if v > slow:
                    if v > self._peak_v:
                        self._peak_v = v
                    self._up_m = x
                    self._up_t_us = t
                    if v > self._attempt_m_s:
                        self._fast_t_us = t
                    if x > self._peak_m:
                        self._peak_m = x
                    if self._rule.slow_since_us is not None:
                        self._rule.moving()
                else:
                    signals = self._slow(t, x, v, f, load_n, signals)
                if t - look >= LOOK_EVERY_US:
                    look = t
                    if self.in_repetition:
                        signals = self._look_ahead(t, x, v, f, signals)
            elif v < ONSET_VELOCITY_M_S or x < self._low_m + AT_LOW_M:
                self._low_t_us = t
                self._rest_m = x
                if x < self._low_m:
                    self._low_m = x
            elif x > self._low_m + ONSET_M and not docked and load_n > 0.0:
                signals = self._perhaps_started(t, x, v, load_n, signals)
        before_raw = self._raw_m
        frame_us = last - (self._t_us or 0)
        self._t_us, self._raw_m, self._look_t_us = last, raw, look
        self.position_m, self.velocity_m_s = x, v
        self._dt_s, self._gain_x, self._gain_vx, self._gain_v = dt_s, gain_x, gain_vx, gain_v
        distance = x - self._anchor_m
        if distance > MOVED_M or distance < -MOVED_M:
            self._anchor_m = x
            self.moved_t_us = last
        if docked:
            signals = self._docked(last, x, load_n, signals)
        elif not self.in_repetition:
            signals = self._between(last, x, v, load_n, force_n, signals)
        trouble = self._check.frame(
            last,
            frame_us,
            moved_by_velocity if velocity_m_s is not None else None,
            path,
            raw - before_raw,
            max(high_raw, before_raw) - min(low_raw, before_raw),
            force_n[-1] if force_n is not None and self._has_force else None,
            load_n,
            docked=docked,
        )
        if trouble is not None:
            signals = [*signals, trouble]
        return signals

    # --- the rare paths ---------------------------------------------------------------------------------------

    def _begin(self, t: int, x: float, v: float, *, first: bool) -> None:
        """Start the filter at the first sample or after a gap too long to bridge."""
        self.position_m, self.velocity_m_s, self._raw_m, self._t_us = x, v, x, t
        self._check.restart()
        if first:
            self._low_m = self._anchor_m = x
            self._low_t_us = self.moved_t_us = t
            self._restart_bottom(t)

    def _restart_bottom(self, t: int) -> None:
        self._low_m = self._rest_m = self.position_m
        self._low_t_us = t
        self._start.restart(t, self.position_m)

    def _perhaps_released(self, t: int, x: float, v: float, f: float | None, signals: list[Signal]) -> list[Signal]:
        """Toward the rig too fast, or no tension for longer than a bounce."""
        if v >= self._release_m_s:
            if not self._taut:
                return signals
            if self._slack_since_us is None:
                self._slack_since_us = t
            if t - self._slack_since_us < SLACK_US:
                return signals
        if self._released:
            return signals
        self._released = True
        return [*signals, ReleaseSeen(t_us=t, velocity_m_s=v, force_n=f)]

    def _perhaps_started(self, t: int, x: float, v: float, load_n: float, signals: list[Signal]) -> list[Signal]:
        """The handle rose clearly above its lowest position: an ascent, unless it never really came down."""
        low, top = self._low_m, self._last_top_m
        if top is not None:
            rom = self.rom_reference_m
            away = 0.2 * rom if rom is not None else 0.06
            share = self._range.fraction(low)
            # after a failed ascent the handle may have hardly left the bottom, and that is where the next begins
            if low > top - max(0.04, away) and (share is None or share > NEAR_BOTTOM):
                return signals
        bottom = self._range.bottom_m
        if self._from_dock and bottom is not None and low < bottom - AT_LOW_M:
            # on the way from the dock to where ascents begin
            if x < bottom + ONSET_M:
                return signals
            low = self._rest_m = bottom
            self._low_t_us = t
        self._taking_up = self._from_dock and bottom is None
        self._from_dock = False
        self.in_repetition = True
        self._pending = None
        self._released = False
        self._start_m = self._rest_m
        self._start_t_us = self._low_t_us
        self._start_load_n = load_n
        self._load_changed = False
        self._peak_m = self._up_m = x
        self._peak_v = v
        self._min_v = 1e9
        self._up_t_us = self._fast_t_us = t
        self._force_sum = 0.0
        self._force_count = 0
        self._stalls = 0
        self._rule.recovered()
        self._foresight.begin(t, load_n)
        if self._taking_up:
            return [*signals, RepetitionStarted(t_us=self._low_t_us)]
        self._range.began_at(low)
        return [*signals, RepetitionStarted(t_us=self._low_t_us)]

    def _slow(self, t: int, x: float, v: float, f: float | None, load_n: float, signals: list[Signal]) -> list[Signal]:
        """Inside an ascent and slow: at the top, stalled, turning back, or in the sticking region."""
        if x > self._peak_m:
            self._peak_m = x
        if v < self._min_v:
            self._min_v = v
        fraction = self._range.fraction(x)
        if fraction is not None:
            at_top = fraction >= TOP_FRACTION
        else:
            rom = self.rom_reference_m
            at_top = x - self._start_m >= (FIRST_ROM_M if rom is None else TOP_FRACTION * rom)
        if v > self._rule.threshold_m_s:
            self._up_m, self._up_t_us = x, t
            self._rule.moving()
            return signals
        if self._taking_up and (not at_top or self.rom_reference_m is None) and t - self._up_t_us >= TAKEN_UP_US:
            # with no ROM known, a first rest this high is the top of a repetition or the bottom of all to come: the
            # next movement tells
            self._pending = self._ended(RepetitionOutcome.COMPLETED, load_n) if at_top else None
            # the first rest after the dock is where ascents begin; nothing was lifted yet
            self.in_repetition = self._taking_up = False
            self._range.bottom_m = x
            self._restart_bottom(t)
            return signals
        if at_top:
            # a handle that leaves the top, or rests there, has finished its ascent; one that stands a little short of
            # it may still be fighting, so the evidence is given time
            short = fraction is not None and fraction < WHOLE_FRACTION
            if v < TURN_VELOCITY_M_S and (not short or x < self._peak_m - TURN_BACK_M):
                return self._end(t, self._outcome_at_top(x), load_n, signals)
            # slow for long before the last of its way up, not only resting since
            fighting = short and self._up_t_us - self._fast_t_us > MAXIMAL_SLOW_US
            undecided = self._taking_up and self.rom_reference_m is None
            if not fighting and not undecided:
                if t - self._up_t_us >= (SHORT_TOP_REST_US if short else TOP_REST_US):
                    return self._end(t, self._outcome_at_top(x), load_n, signals)
                if not short:
                    return signals
        if v < TURN_VELOCITY_M_S:
            # on its way down: a wobble until it has gone far enough to be a turn
            if x >= self._peak_m - TURN_BACK_M:
                return signals
            highest = self._range.fraction(self._peak_m)
            if highest is not None and highest >= TOP_FRACTION:
                return self._end(t, self._outcome_at_top(self._peak_m), load_n, signals)
            return self._turned_back(t, x, v, f, load_n, signals)
        duration_s = self._rule.slow(t)
        if duration_s is None:
            return signals
        return self._stalled(t, x, v, f, duration_s, LIMIT_PROBABILITY, signals)

    def _outcome_at_top(self, x: float) -> RepetitionOutcome:
        """Through, unless it stalled there and has not moved since."""
        stuck = self._stalls > 0 and x < self._stall_m + TURN_BACK_M
        return RepetitionOutcome.FAILED if stuck else RepetitionOutcome.COMPLETED

    def _look_ahead(self, t: int, x: float, v: float, f: float | None, signals: list[Signal]) -> list[Signal]:
        """Take the sample in as evidence; a stall as soon as it is certain enough."""
        foresight = self._foresight
        share = self._range.fraction(x)
        foresight.sample(t, v, (x - self._start_m) / UNKNOWN_M if share is None else share)
        if v > RECOVERED_M_S and self._rule.fired and v > self._stall_v + FASTER_AGAIN_M_S:
            self._rule.recovered()
        if not self._rule.by_evidence or self._taking_up or not foresight.worth_a_look():
            return signals
        evidence = score(foresight.evidence(), self._rule.certain)
        duration_s = self._rule.judge(t, evidence)
        if duration_s is None:
            return signals
        return self._stalled(t, x, v, f, duration_s, probability_of(evidence), signals)

    def _stalled(
        self, t: int, x: float, v: float, f: float | None, duration_s: float, probability: float, signals: list[Signal]
    ) -> list[Signal]:
        self._stalls += 1
        self._stall_m, self._stall_v = x, v
        foreseen = v > self._rule.threshold_m_s
        return [
            *signals,
            StallSeen(
                reason=Reason.STALL_FORESEEN if foreseen else Reason.STALL_IN_CONCENTRIC,
                t_us=t,
                velocity_m_s=v,
                force_n=f,
                position_fraction=self._range.fraction(x),
                duration_s=duration_s,
                probability=probability,
            ),
        ]

    def _turned_back(
        self, t: int, x: float, v: float, f: float | None, load_n: float, signals: list[Signal]
    ) -> list[Signal]:
        """Below the top and going down again: failed if it was an attempt with all there was, else a partial."""
        slow_us = t - self._fast_t_us
        if self._stalls:
            return self._end(t, RepetitionOutcome.FAILED, load_n, signals)
        if slow_us < MAXIMAL_SLOW_US:
            return self._end(t, RepetitionOutcome.PARTIAL, load_n, signals)
        signals = [
            *signals,
            StallSeen(
                reason=Reason.REVERSAL,
                t_us=t,
                velocity_m_s=v,
                force_n=f,
                position_fraction=self._range.fraction(x),
                duration_s=slow_us * 1e-6,
                probability=0.95,
            ),
        ]
        return self._end(t, RepetitionOutcome.FAILED, load_n, signals)

    def _came_down(self, t: int, signals: list[Signal]) -> list[Signal]:
        """The first rest out of the dock was a top after all."""
        ended, top_m = self._pending, self._range.bottom_m
        self._pending = None
        if ended is None or top_m is None:
            return signals
        self._range.bottom_m = top_m - ended.rom_m
        self._last_top_m = top_m
        self._range.completed(ended.rom_m)
        self._restart_bottom(t)
        return [*signals, ended]

    def _ended(self, outcome: RepetitionOutcome, load_n: float) -> RepetitionEnded:
        travel = self._peak_m - self._start_m
        end_t = self._up_t_us
        seconds = (end_t - self._start_t_us) * 1e-6
        mean = (self._up_m - self._start_m) / seconds if seconds > 0.0 else 0.0
        changed = self._load_changed or abs(load_n - self._start_load_n) > 0.02 * self._start_load_n
        return RepetitionEnded(
            outcome=outcome,
            t_start_us=self._start_t_us,
            t_end_us=end_t,
            rom_m=travel,
            mean_velocity_m_s=mean,
            peak_velocity_m_s=self._peak_v,
            min_velocity_m_s=min(self._min_v, self._peak_v),
            mean_force_n=self._force_sum / self._force_count if self._force_count else None,
            load_changed=changed,
        )

    def _end(self, t: int, outcome: RepetitionOutcome, load_n: float, signals: list[Signal]) -> list[Signal]:
        ended = self._ended(outcome, load_n)
        if outcome is RepetitionOutcome.COMPLETED and not self._taking_up:
            self._range.completed(ended.rom_m)
        self._taking_up = False
        self._foresight.ended(completed=outcome is RepetitionOutcome.COMPLETED, load_changed=ended.load_changed)
        self.in_repetition = False
        self._last_top_m = self._peak_m
        self._rule.moving()
        self._restart_bottom(t)
        return [*signals, ended]

    def _docked(self, t: int, x: float, load_n: float, signals: list[Signal]) -> list[Signal]:
        """The handle rests at the rig: whatever ascent was under way is over, and nobody fails to start."""
        if self.in_repetition:
            outcome = RepetitionOutcome.FAILED if self._stalls else RepetitionOutcome.PARTIAL
            signals = self._end(t, outcome, load_n, signals)
        self._last_top_m = None
        self._slack_since_us = None
        self._taut = False
        self._from_dock = True
        self._restart_bottom(t)
        return signals

    def _between(
        self, t: int, x: float, v: float, load_n: float, force_n: Sequence[float] | None, signals: list[Signal]
    ) -> list[Signal]:
        """A frame outside an ascent and out of the dock."""
        span = self._range
        if self._pending is not None and span.bottom_m is not None and x < span.bottom_m - CAME_DOWN_M:
            signals = self._came_down(t, signals)
        if load_n <= 0.0:
            return signals
        stall = self._start.frame(
            t,
            x,
            v,
            force_n[-1] if force_n is not None else None,
            low_m=self._low_m,
            bottom_m=span.bottom_m,
            fraction=span.fraction(x),
            last_top_m=self._last_top_m,
            known=span.known,
        )
        return signals if stall is None else [*signals, stall]
