"""Evidence about an ascent in units of the lifter's own habits: what is known of anybody, whoever built them.

What lives here: what an ascent says about itself, what earlier ascents of the set taught about this person, and the
score of both. What never does: the decision (`stall`), finding repetitions (`segmenter`). Plain + - * / in a fixed
order.

Idea. No law of muscle and no line of an exercise is asked. A velocity is compared with what this person had at the same
place in earlier ascents, a standstill with the pauses that this person makes, a loss of speed with how this person
brakes on purpose, and the ascent with how much each one was slower than the one before. What is not known yet has a
value that no measurement has, so that the classifier learns what holds of strangers. docs/method.md has the list.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.ascent_evidence import GRIND_CERTAINTY, AscentEvidence
from ebbset.controller.detection.evidence.habit_figures import (
    SHIPPED,
    STANDING_COUNTS,
    UNKNOWN,
    HabitFigures,
    standing_s,
)
from ebbset.controller.detection.evidence.stall_classifier import probability_of, score_of
from ebbset.controller.detection.evidence.usual_velocities import HABIT_GAIN, UsualVelocities, cell_of, toward
from ebbset.controller.detection.stall_rule import FLICKER_US
from ebbset.models.contract.prescription import StallSection

STILL_M_S: Final = 0.05
ATTEMPT_M_S: Final = 0.12
NEVER_DROPPED_S: Final = 60.0
LEAST_GATHERED_M_S2: Final = 0.1
MOST_LOST_OVER_GATHERED: Final = 20.0
SLOW_M_S: Final = 0.15
SLOW_PART: Final = 0.6
SHORT_S: Final = 0.15
LONG_S: Final = 0.6
LONGEST_S: Final = 1.5
SMOOTHING_S: Final = 0.04
SLOWING_S: Final = 0.1
LONGEST_STOP_S: Final = 3.0
MOST_EXPECTED_M_S: Final = 2.0
SHAKING_S: Final = 0.3
BRAKE_S: Final = 0.5
FORCE_SHORT_S: Final = 0.1
FORCE_LONG_S: Final = 0.6
HALF_WAY: Final = 0.4
UNDER_THE_TOP: Final = 0.85
LEAST_PAUSE_S: Final = 0.1
FORGETTING: Final = 0.15
TOPS_KNOWN: Final = 2
LEAST_TOP_SPREAD: Final = 0.015


class HabitEvidence(AscentEvidence):
    """Evidence of the ascent under way on one cable, and the habits of the person.

    Args:
        figures: what the classifier was fitted to.

    Attributes:
        figures: as given.
    """

    __slots__ = (
        "_a",
        "_a_long",
        "_brake",
        "_drop_t",
        "_duration_s",
        "_durations_s",
        "_failures",
        "_force",
        "_force_long",
        "_hardest",
        "_highest",
        "_learned",
        "_load_n",
        "_load_through_n",
        "_long",
        "_longest",
        "_longest_still_us",
        "_lowest",
        "_moves_t",
        "_own_pause_s",
        "_pause_at",
        "_pause_s",
        "_paused_at",
        "_pauses_often",
        "_peak",
        "_peak_share",
        "_peaks",
        "_shaking",
        "_share",
        "_short",
        "_since_attempt",
        "_since_half",
        "_slow_us",
        "_start_share",
        "_still_all_us",
        "_still_t",
        "_t",
        "_t0",
        "_top",
        "_top_spread",
        "_usual_brake",
        "_usual_slow_s",
        "_v",
        "_velocities",
        "figures",
    )

    def __init__(self, figures: HabitFigures = SHIPPED) -> None:
        self.figures = figures
        self._velocities = UsualVelocities()
        self._learned = 0
        self._peaks = self._durations_s = self._usual_brake = UNKNOWN
        self._top = 1.0
        self._top_spread = 0.0
        self._pause_s = self._own_pause_s = self._usual_slow_s = 0.0
        self._pause_at = UNKNOWN
        self._pauses_often = 0.0
        self._failures = 0
        self._load_through_n = 0.0
        self.begin(0, 0.0)

    def begin(self, t_us: int, load_n: float) -> None:
        """An ascent begins.

        Args:
            t_us: rig time.
            load_n: load, newtons.
        """
        self._t0 = self._t = self._still_t = self._since_half = self._since_attempt = t_us
        self._moves_t: int | None = t_us
        self._load_n = load_n
        self._v = self._a = self._a_long = self._peak = self._peak_share = self._brake = self._hardest = (
            self._shaking
        ) = 0.0
        self._short = self._long = self._longest = 0.0
        self._slow_us = 0
        self._start_share = UNKNOWN
        self._drop_t: int | None = None
        self._force = self._force_long = UNKNOWN
        self._share = self._highest = self._paused_at = 0.0
        self._longest_still_us = self._still_all_us = 0
        self._lowest = -UNKNOWN
        self._velocities.begin()

    def dropped(self, load_n: float) -> None:
        """The load becomes less: failures at the old one say nothing about it.

        Args:
            load_n: new load, newtons.
        """
        if load_n > 0.0:
            self._load_n = load_n
            self._failures = 0
            self._drop_t = self._t

    def sample(self, t: int, v: float, share: float, force_n: float | None) -> None:  # noqa: C901 - one pass, plain sums
        """Take in one filtered sample.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a share of the range of motion.
            force_n: tension, newtons, if known.
        """
        passed = t - self._t
        dt = passed * 1e-6
        self._t = t
        if dt > 0.0:
            a = self._a + dt / (dt + SMOOTHING_S) * ((v - self._v) / dt - self._a)
            self._a = a
            self._a_long += dt / (dt + SLOWING_S) * (a - self._a_long)
            brake = self._brake * (1.0 - dt / (dt + BRAKE_S))
            self._brake = -a if -a > brake else brake
            if self._brake > self._hardest:
                self._hardest = self._brake
            size = a if a > 0.0 else -a
            self._shaking += dt / (dt + SHAKING_S) * (size - self._shaking)
            self._short += dt / (dt + SHORT_S) * (v - self._short)
            self._long += dt / (dt + LONG_S) * (v - self._long)
            self._longest += dt / (dt + LONGEST_S) * (v - self._longest)
        self._v = v
        if v > self._peak:
            self._peak = v
            self._peak_share = share
        if v > 0.5 * self._peak:
            self._since_half = t
        if v > ATTEMPT_M_S:
            self._since_attempt = t
        if self._start_share == UNKNOWN:
            self._start_share = share
        if v < ATTEMPT_M_S and v < SLOW_PART * self._peak and share < UNDER_THE_TOP:
            self._slow_us += passed
        if v > STILL_M_S:
            if self._moves_t is None:
                self._moves_t = t
            if t - self._moves_t >= FLICKER_US:
                self._still_t = t
        else:
            self._moves_t = None
            self._still_all_us += passed
            if share < UNDER_THE_TOP and t - self._still_t > self._longest_still_us:
                self._longest_still_us = t - self._still_t
                self._paused_at = share
        if v < self._lowest and v < 0.9 * self._peak:
            self._lowest = v
        self._share = share
        if share > self._highest:
            self._highest = share
        self._velocities.sample(share, v)
        if force_n is not None and self._load_n > 0.0:
            over = force_n / self._load_n - 1.0
            over = -1.0 if over < -1.0 else 1.0 if over > 1.0 else over
            if self._force == UNKNOWN:
                self._force = self._force_long = over
            else:
                self._force += dt / (dt + FORCE_SHORT_S) * (over - self._force)
                self._force_long += dt / (dt + FORCE_LONG_S) * (over - self._force_long)

    def worth_a_look(self) -> bool:
        """Slow, for anybody and for this ascent: anything else cannot be about to stall."""
        v = self._v
        return v < SLOW_M_S and v < SLOW_PART * self._peak

    def evidence(self, ascent: Ascent) -> list[float]:
        """The vector that `HABIT_FEATURES` names.

        Args:
            ascent: the ascent under way.
        """
        v, t = self._v, self._t
        velocities = self._velocities
        cell = cell_of(self._share)
        usual, ahead, low = velocities.here[cell], velocities.ahead[cell], velocities.last_low
        known = usual != UNKNOWN and usual > 0.0
        still_s = (t - self._still_t) * 1e-6
        since_start_s = (t - self._t0) * 1e-6
        slow_s = self._slow_us * 1e-6
        fall = velocities.fall if velocities.fall > 0.0 else 0.0
        lost, gathered = ascent.lost_m_s2, ascent.gathered_m_s2
        slowing = -self._a_long
        stops_in_s = LONGEST_STOP_S
        if v <= 0.0:
            stops_in_s = 0.0
        elif v < LONGEST_STOP_S * slowing:
            stops_in_s = v / slowing
        expected = v / usual * ahead if known and ahead != UNKNOWN else UNKNOWN
        ratio = lost / (gathered if gathered > LEAST_GATHERED_M_S2 else LEAST_GATHERED_M_S2)
        return [
            v,
            self._a,
            v / self._peak if self._peak > 0.0 else 0.0,
            v / usual if known else UNKNOWN,
            v - usual if known else UNKNOWN,
            v - usual + ahead if known and ahead != UNKNOWN else UNKNOWN,
            low,
            velocities.fall,
            self._short,
            self._long,
            still_s,
            self._still_all_us * 1e-6,
            still_s - self._pause_s,
            (t - self._since_half) * 1e-6,
            (t - self._since_attempt) * 1e-6,
            since_start_s,
            since_start_s / self._durations_s if self._durations_s > 0.0 else UNKNOWN,
            self._share,
            self._top - self._share,
            self._top_spread,
            self._share - self._pause_at if self._pause_at != UNKNOWN else UNKNOWN,
            self._highest - self._share,
            self._peak,
            self._peak / self._peaks if self._peaks > 0.0 else UNKNOWN,
            self._peak_share,
            lost,
            gathered,
            self._brake,
            self._usual_brake,
            self._shaking,
            self._force,
            self._force - self._force_long if self._force != UNKNOWN else UNKNOWN,
            float(self._failures) if self._failures < 3 else 3.0,
            float(self._learned) if self._learned < 4 else 4.0,
            self._lowest if self._lowest < -UNKNOWN else v,
            self._load_n / self._load_through_n if self._load_through_n > 0.0 else UNKNOWN,
            self._longest,
            slow_s,
            slow_s - self._usual_slow_s,
            self._usual_slow_s,
            self._pause_s,
            self._share - self._start_share,
            (t - self._drop_t) * 1e-6 if self._drop_t is not None else NEVER_DROPPED_S,
            ratio if ratio < MOST_LOST_OVER_GATHERED else MOST_LOST_OVER_GATHERED,
            v - usual + fall if known else UNKNOWN,
            stops_in_s,
            low / velocities.best_low if velocities.best_low > 0.0 else UNKNOWN,
            expected if expected < MOST_EXPECTED_M_S else MOST_EXPECTED_M_S,
            low - fall if low != UNKNOWN else UNKNOWN,
            self._pauses_often,
        ]

    def least_score(self, certain: float) -> float:
        """Least score that is a stall now; one that stands longer than this person pauses needs less.

        Args:
            certain: the score for a handle that may be paused.
        """
        return certain - STANDING_COUNTS if self._stands() else certain

    def scored(self, ascent: Ascent, least: float) -> float:
        """How sure it is that this ascent will fail; under ``least`` any number under ``least``.

        One that is like none the classifier was fitted on is a stall when it stands longer than this person pauses, and
        no other is.

        Args:
            ascent: the ascent under way.
            least: score that would be a stall.
        """
        vector = self.evidence(ascent)
        result = self.figures.score(vector, least)
        stands = self._stands()
        if stands == (result >= least) or not self.figures.out_of_depth(vector):
            return result
        return least if stands else least - 1.0

    def _stands(self) -> bool:
        # who stood before a drop stood under another load
        since_us = self._still_t if self._drop_t is None or self._drop_t < self._still_t else self._drop_t
        return (self._t - since_us) * 1e-6 >= standing_s(self._pause_s)

    def probability(self, score: float) -> float:
        """Share of ascents with this score that failed in the tuning sets.

        Args:
            score: of an ascent.
        """
        return probability_of(score, self.figures.knots)

    def certain(self, stall: StallSection) -> float:
        """Least score that is a stall, from the patience prescribed.

        Args:
            stall: what counts as a stall.
        """
        usual = self.figures.patience[stall.patience]
        return usual if stall.grind_s == 0.0 else min(usual, score_of(GRIND_CERTAINTY, self.figures.knots))

    @property
    def pauses(self) -> bool:
        """This person was seen to pause on the way up, so that standing there need not mean want of strength."""
        return self._own_pause_s >= LEAST_PAUSE_S

    def at_usual_top(self, share: float) -> bool:
        """This person's ascents often end here.

        Args:
            share: position as a share of the range of motion.
        """
        spread = self._top_spread if self._top_spread > LEAST_TOP_SPREAD else LEAST_TOP_SPREAD
        return self._learned >= TOPS_KNOWN and share >= self._top - spread

    def ended(self, *, completed: bool, load_changed: bool) -> None:
        """The ascent is over: learn from it.

        Args:
            completed: it came through.
            load_changed: the load went down on the way, so that its velocities tell nothing.
        """
        if self._highest > HALF_WAY:
            off = self._highest - self._top
            self._top += HABIT_GAIN * off
            self._top_spread += HABIT_GAIN * ((off if off > 0.0 else -off) - self._top_spread)
        if not completed:
            self._failures += 1
            return
        self._failures = 0
        pause_s = self._longest_still_us * 1e-6
        # the longest pause counts, and is forgotten slowly
        self._pause_s = _remembered(self._pause_s, pause_s)
        paused = pause_s > LEAST_PAUSE_S
        self._pauses_often += HABIT_GAIN * ((1.0 if paused else 0.0) - self._pauses_often)
        if paused:
            self._pause_at = toward(self._pause_at, self._paused_at)
        self._usual_brake = toward(self._usual_brake, self._hardest)
        if load_changed:
            return
        # who was stuck until the load went down did not pause
        self._own_pause_s = _remembered(self._own_pause_s, pause_s)
        self._load_through_n = self._load_n
        self._learned += 1
        slow_s = self._slow_us * 1e-6
        self._usual_slow_s = (
            slow_s if self._usual_slow_s < slow_s else self._usual_slow_s + 0.3 * (slow_s - self._usual_slow_s)
        )
        self._peaks = toward(self._peaks, self._peak)
        self._durations_s = toward(self._durations_s, (self._t - self._t0) * 1e-6)
        self._velocities.learn()


def _remembered(longest_s: float, pause_s: float) -> float:
    return pause_s if pause_s > longest_s else longest_s + FORGETTING * (pause_s - longest_s)
