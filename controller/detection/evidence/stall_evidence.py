"""Evidence about an ascent before it ends: strength relative to the load, along the range of motion.

What lives here: the evidence of one ascent, its score, and what earlier ascents taught about the shape of this person's
range. What never does: calling a stall by it (`ascent_evidence`), what a slow handle means (`stall`), finding
repetitions (`segmenter`). Plain + - * / in a fixed order.

Idea. Once the first acceleration is over, an all-out ascent is slow enough to be in balance: the velocity at a
position says how much stronger than the load the lifter is there. Strength over load, q, is the inverse of Hill's
hyperbola at the handle's velocity. q along the range has a shape that belongs to the person and a height that falls
with fatigue; the shape is learned from repetitions that came through. Height times the lowest part of the shape still
ahead is the margin of this ascent: under 1, it will not come through. docs/method.md has the equations.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.detection.ascent import Ascent
from ebbset.controller.detection.evidence.ascent_evidence import GRIND_CERTAINTY, AscentEvidence
from ebbset.controller.detection.evidence.stall_classifier import compiled, probability_of, score_of
from ebbset.controller.detection.evidence.stall_classifier_figures import BASELINE, TREES
from ebbset.models.contract.prescription import StallSection
from ebbset.models.physiology.load_velocity import LoadVelocityLine

CELLS: Final = 20
LAST_PLACE: Final = CELLS - 0.001
CURVATURE: Final = 1.0
UNLOADED_PART: Final = 1.3
FEATURES: Final = (
    "velocity_m_s",
    "acceleration_m_s2",
    "margin_now",
    "margin_early",
    "still_s",
    "share",
    "past_weakest",
    "margin_expected",
    "learned",
    "fall",
    "rise_s",
    "peak_m_s",
    "brake_m_s2",
    "margin_slow",
    "margin_lag",
    "margin_floor",
    "shape_ahead",
    "short_of_top",
    "top_spread",
    "pause_habit_s",
)
"""Order of the evidence vector; the stall classifier is fitted to it."""
score: Final = compiled(BASELINE, TREES, len(FEATURES), module=__name__)
"""Strength of an evidence vector for a stall; larger is surer. Under ``least`` it is not added up."""
UNKNOWN: Final = 0.5
"""Stands for a margin that nothing is known about: large."""
SMOOTHING_S: Final = 0.04
NOW_S: Final = 0.06
SLOW_S: Final = 0.15
LAG_S: Final = 0.4
EARLY_ABOVE_M_S: Final = 0.1
STILL_BELOW_M_S: Final = 0.05
UNDER_THE_TOP: Final = 0.85
HALF_WAY: Final = 0.4
HABIT_GAIN: Final = 0.3
FIRST_CELL: Final = 2
"""The cells below it are where the handle gathers speed."""
NO_STRENGTH: Final = 9.0
MOST_STRENGTH: Final = 8.0
"""Nobody in balance with a load is stronger than it by more than this factor."""
MOST_FALL: Final = 0.1
MOST_HEIGHT: Final = 3.0
LATER_WEIGHT: Final = 0.35


class StallEvidence(AscentEvidence):
    """Evidence of the ascent under way on one cable.

    Args:
        line: load–velocity line, for the speed at which the lifter's strength would be nothing.
    """

    __slots__ = (
        "_a",
        "_ahead",
        "_brake",
        "_count",
        "_early_sum",
        "_early_weight",
        "_expected",
        "_floor",
        "_highest",
        "_lag",
        "_last_low",
        "_learned",
        "_load_n",
        "_longest_still_us",
        "_lowest_ahead",
        "_now",
        "_pause_habit_s",
        "_peak",
        "_shape",
        "_share",
        "_slow",
        "_still_t",
        "_sum",
        "_t",
        "_t0",
        "_top",
        "_top_spread",
        "_v",
        "_v_max",
        "_weakest_at",
    )

    def __init__(self, line: LoadVelocityLine) -> None:
        self._v_max = UNLOADED_PART * line.v0_m_s
        self._shape = [1.0] * (CELLS + 1)
        self._ahead = [1.0] * (CELLS + 1)
        self._weakest_at = 0.3
        self._learned = 0
        self._sum = [0.0] * (CELLS + 1)
        self._count = [0] * (CELLS + 1)
        self._last_low: float | None = None
        self._expected: float | None = None
        self._top = 1.0
        self._top_spread = 0.0
        self._pause_habit_s = 0.0
        self.begin(0, 0.0)

    def begin(self, t_us: int, load_n: float) -> None:
        """An ascent begins.

        Args:
            t_us: rig time.
            load_n: load, newtons.
        """
        self._t0 = self._t = self._still_t = t_us
        self._load_n = load_n
        self._v = self._a = self._peak = self._brake = 0.0
        self._now: float | None = None
        self._slow = self._lag = self._floor = 1.0 + UNKNOWN
        self._early_sum = self._early_weight = 0.0
        self._share = self._highest = 0.0
        self._longest_still_us = 0
        self._lowest_ahead = 1.0
        self._sum = [0.0] * (CELLS + 1)
        self._count = [0] * (CELLS + 1)

    def dropped(self, load_n: float) -> None:
        """The load becomes less: everything known relative to the load rises with it."""
        if load_n <= 0.0 or self._load_n <= 0.0:
            return
        ratio = self._load_n / load_n
        self._load_n = load_n
        self._early_sum *= ratio
        self._floor = 1.0 + UNKNOWN
        self._now = None
        if self._expected is not None:
            self._expected *= ratio
        if self._last_low is not None:
            self._last_low *= ratio

    def strength_over_load(self, v: float) -> float:
        """Inverse of Hill's normalised hyperbola at velocity ``v``; below zero its tangent carried on."""
        u = v / self._v_max
        if u > 0.9:
            u = 0.9
        elif u < -0.3:
            u = -0.3
        if u > 0.0:
            return (1.0 + u / CURVATURE) / (1.0 - u)
        return 1.0 / (1.0 - u * (1.0 + 1.0 / CURVATURE))

    def sample(
        self,
        t: int,
        v: float,
        share: float,
        force_n: float | None = None,  # noqa: ARG002 - strength is told by velocity
    ) -> None:
        """Take in one filtered sample.

        Args:
            t: rig time, microseconds.
            v: velocity, m/s.
            share: position as a share of the range of motion.
            force_n: tension, newtons; this evidence rests on velocity alone.
        """
        dt = (t - self._t) * 1e-6
        self._t = t
        if dt > 0.0:
            a = self._a + dt / (dt + SMOOTHING_S) * ((v - self._v) / dt - self._a)
            self._a = a
            brake = self._brake * (1.0 - dt / (dt + LAG_S))
            self._brake = -a if -a > brake else brake
        self._v = v
        if v > self._peak:
            self._peak = v
        if v > STILL_BELOW_M_S:
            self._still_t = t
        elif share < UNDER_THE_TOP and t - self._still_t > self._longest_still_us:
            self._longest_still_us = t - self._still_t
        self._share = share
        if share > self._highest:
            self._highest = share
        place = share * CELLS
        place = 0.0 if place < 0.0 else LAST_PLACE if place > LAST_PLACE else place
        cell = int(place)
        part = place - cell
        q = self.strength_over_load(v)
        shape = self._shape[cell] + part * (self._shape[cell + 1] - self._shape[cell])
        ahead = self._ahead[cell + 1]
        self._lowest_ahead = shape if shape < ahead else ahead
        near = cell if part < 0.5 else cell + 1
        self._sum[near] += q
        self._count[near] += 1
        # while the handle still gathers speed, part of the strength goes into its mass
        if self._a < 1.0 and (v < 0.95 * self._peak or v < EARLY_ABOVE_M_S):
            m = q / shape
            now = self._now
            if now is None:
                self._now = self._slow = self._lag = m
            else:
                self._now = now + dt / (dt + NOW_S) * (m - now)
                self._slow += dt / (dt + SLOW_S) * (m - self._slow)
                self._lag += dt / (dt + LAG_S) * (m - self._lag)
                if self._slow < self._floor:
                    self._floor = self._slow
            if v > EARLY_ABOVE_M_S:
                self._early_sum += m * dt
                self._early_weight += dt

    def worth_a_look(self) -> bool:
        """Slow and with little margin: anything else cannot be about to stall."""
        now = self._now
        return (
            now is not None
            and self._v < 0.22
            and self._v < 0.9 * self._peak
            and (now * self._lowest_ahead < 1.12 or self._v < 0.06)
        )

    def scored(self, ascent: Ascent, least: float) -> float:  # noqa: ARG002 - it has gathered all it needs
        """How sure it is that this ascent will fail; under ``least`` any number under ``least``.

        Args:
            ascent: the ascent under way.
            least: score that would be a stall.
        """
        return score(self.evidence(), least)

    def probability(self, score: float) -> float:
        """Share of ascents with this score that failed in the tuning sets.

        Args:
            score: of an ascent.
        """
        return probability_of(score)

    def certain(self, stall: StallSection) -> float:
        """Least score that is a stall, from the certainty prescribed.

        Args:
            stall: what counts as a stall.
        """
        return score_of(stall.certainty if stall.grind_s == 0.0 else min(stall.certainty, GRIND_CERTAINTY))

    def evidence(self) -> list[float]:
        """The vector that `FEATURES` names."""
        ahead = self._lowest_ahead
        now = self._now
        early = self._early_sum / self._early_weight if self._early_weight > 0.03 else None
        return [
            self._v,
            self._a,
            now * ahead - 1.0 if now is not None else UNKNOWN,
            early * ahead - 1.0 if early is not None else UNKNOWN,
            (self._t - self._still_t) * 1e-6,
            self._share,
            self._share - self._weakest_at,
            self._expected - 1.0 if self._expected is not None else UNKNOWN,
            float(self._learned) if self._learned < 3 else 3.0,
            early - now if early is not None and now is not None else 0.0,
            (self._t - self._t0) * 1e-6,
            self._peak,
            self._brake,
            self._slow * ahead - 1.0,
            self._lag * ahead - 1.0,
            self._floor * ahead - 1.0,
            ahead,
            self._top - self._share,
            self._top_spread,
            self._pause_habit_s,
        ]

    def ended(self, *, completed: bool, load_changed: bool) -> None:
        """The ascent is over: learn its shape, and how low its strength over load came.

        Args:
            completed: it came through.
            load_changed: the load went down on the way, so that its shape tells nothing.
        """
        if self._highest > HALF_WAY:
            # where ascents usually end, how much that varies, and how long this person rests on the way
            off = self._highest - self._top
            self._top += HABIT_GAIN * off
            self._top_spread += HABIT_GAIN * ((off if off > 0.0 else -off) - self._top_spread)
        if not completed:
            return
        self._pause_habit_s += HABIT_GAIN * (self._longest_still_us * 1e-6 - self._pause_habit_s)
        lowest = self._lowest()
        if lowest is None:
            return
        # the next one is expected to be lower by what this one was lower than the one before
        fall = self._last_low - lowest if self._last_low is not None else 0.0
        self._expected = lowest - (0.0 if fall < 0.0 else MOST_FALL if fall > MOST_FALL else fall)
        self._last_low = lowest
        if not load_changed:
            self._learn_shape(lowest)

    def _lowest(self) -> float | None:
        """Lowest strength over load of this ascent, without its ends; ``None`` if it was never in balance."""
        lowest = NO_STRENGTH
        for k in range(FIRST_CELL, CELLS - 1):
            if self._count[k]:
                q = self._sum[k] / self._count[k]
                if q < lowest:
                    lowest = q
        return None if lowest > MOST_STRENGTH else lowest

    def _learn_shape(self, lowest: float) -> None:
        self._learned += 1
        weight = 1.0 / self._learned if self._learned < 3 else LATER_WEIGHT
        for k in range(CELLS + 1):
            if self._count[k]:
                height = self._sum[k] / self._count[k] / lowest
                height = 1.0 if height < 1.0 else MOST_HEIGHT if height > MOST_HEIGHT else height
                self._shape[k] += weight * (height - self._shape[k])
        low = NO_STRENGTH
        for k in range(CELLS, -1, -1):
            if self._shape[k] < low:
                low = self._shape[k]
                if k >= FIRST_CELL:
                    self._weakest_at = k / CELLS
            self._ahead[k] = low
