"""What the rule "habits" was fitted to: the figures of its evidence by name, its trees, and what their score means.

What lives here: the classifier of the rule, and its shipped figures (`stall_habits_figures`) compiled. What never does:
gathering the evidence (`habit_evidence`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from ebbset.controller.detection.evidence import stall_habits_figures as shipped
from ebbset.controller.detection.evidence.shipped_score import score
from ebbset.controller.detection.evidence.stall_classifier import Knots, Score, compiled, probability_of
from ebbset.controller.detection.evidence.stall_classifier_figures import Node
from ebbset.models.contract.prescription import StallSection

HABIT_FEATURES: Final = (
    "velocity_m_s",
    "acceleration_m_s2",
    "of_peak",
    "of_usual_here",
    "under_usual_here_m_s",
    "expected_lowest_m_s",
    "usual_lowest_m_s",
    "falling_by_m_s",
    "mean_short_m_s",
    "mean_long_m_s",
    "still_s",
    "still_in_all_s",
    "still_over_usual_s",
    "since_half_speed_s",
    "since_attempt_speed_s",
    "since_start_s",
    "of_usual_duration",
    "share",
    "under_usual_top",
    "top_spread",
    "from_usual_pause",
    "sunk",
    "peak_m_s",
    "of_usual_peak",
    "peak_place",
    "lost_m_s2",
    "gathered_m_s2",
    "hardest_brake_m_s2",
    "usual_brake_m_s2",
    "shaking_m_s2",
    "force_over_load",
    "force_trend",
    "failures_here",
    "learned",
    "lowest_so_far_m_s",
    "of_load_before",
    "mean_longest_m_s",
    "slow_in_all_s",
    "slow_over_usual_s",
    "usual_slow_s",
    "usual_pause_s",
    "risen",
    "since_drop_s",
    "lost_over_gathered",
    "under_expected_here_m_s",
    "stops_in_s",
    "lowest_of_best",
    "expected_lowest_by_ratio_m_s",
    "foreseen_lowest_m_s",
    "pauses_often",
)
"""Order of the evidence vector; the trees are fitted to it."""


UNKNOWN: Final = -9.0
"""Stands for what is not known yet; nothing that is measured has this value."""
MOST_OUTSIDE: Final = 3
"""So many figures of an ascent may lie outside of what the classifier was fitted on before it is not asked."""
STILL_AT: Final = HABIT_FEATURES.index("still_s")
USUAL_PAUSE_AT: Final = HABIT_FEATURES.index("usual_pause_s")
SINCE_DROP_AT: Final = HABIT_FEATURES.index("since_drop_s")
STANDING_S: Final = 0.7
PAUSES: Final = 1.15
STANDING_COUNTS: Final = 1.0
"""A handle that has stood for so long, and so many times as long as this person ever paused on the way up, is a stall
at a score that much lower: time is what holds for anybody. Chosen on families left out, see docs/method.md."""
MONOTONIC: Final = {
    "velocity_m_s": -1,
    "mean_short_m_s": -1,
    "mean_long_m_s": -1,
    "mean_longest_m_s": -1,
    "still_s": 1,
    "still_over_usual_s": 1,
    "slow_over_usual_s": 1,
    "since_half_speed_s": 1,
    "since_attempt_speed_s": 1,
    "lost_m_s2": -1,
    "hardest_brake_m_s2": -1,
    "lost_over_gathered": -1,
    "usual_pause_s": -1,
    "usual_slow_s": -1,
    "stops_in_s": -1,
    "pauses_often": -1,
}
"""Which way the score may go with a figure that is always known: to stand longer, or to brake less hard, never makes a
stall less likely, whoever it is. The trees are grown under these constraints, so that they hold for strangers."""


def standing_s(usual_pause_s: float) -> float:
    """Standing so long is suspicious, by this person's own pauses.

    Args:
        usual_pause_s: longest pause of this person on the way up, seconds.
    """
    own_s = PAUSES * usual_pause_s
    return own_s if own_s > STANDING_S else STANDING_S


@dataclass(frozen=True, slots=True)
class HabitFigures:
    """What the classifier was fitted to.

    Attributes:
        score: strength of an evidence vector for a stall; larger is surer. Under ``least`` it is not added up.
        knots: score, and the share of such ascents that failed.
        ranges: lowest and highest value of each figure in what it was fitted on.
        patience: score that is a stall, for each patience that may be prescribed.
    """

    score: Score
    knots: Knots
    ranges: Sequence[tuple[float, float]]
    patience: Mapping[str, float]

    @classmethod
    def of(
        cls,
        baseline: float,
        trees: Sequence[Node],
        knots: Knots,
        ranges: Sequence[tuple[float, float]],
        patience: Mapping[str, float],
    ) -> HabitFigures:
        """Compile plain numbers.

        Args:
            baseline: score before the first tree.
            trees: their roots.
            knots: score and share of failures.
            ranges: lowest and highest value of each figure.
            patience: score that is a stall, by patience.
        """
        return cls(compiled(baseline, trees, len(HABIT_FEATURES), module=__name__), knots, ranges, patience)

    def __deepcopy__(self, memo: dict[int, object]) -> HabitFigures:
        """Shared by the copies of a detector, since nothing in it changes."""
        return self

    def out_of_depth(self, vector: Sequence[float]) -> bool:
        """More figures than can be by chance lie outside of what the classifier was fitted on.

        Args:
            vector: evidence of an ascent.
        """
        outside = 0
        for value, (low, high) in zip(vector, self.ranges, strict=True):
            if value != UNKNOWN and not low <= value <= high:
                outside += 1
        return outside > MOST_OUTSIDE

    def certainty(self, stall: StallSection) -> float:
        """Share of such ascents that failed when a stall is called with the patience prescribed.

        Args:
            stall: the stall rule.
        """
        return probability_of(self.patience[stall.patience], self.knots)


SHIPPED: Final = HabitFigures(score, shipped.KNOTS, shipped.RANGES, shipped.PATIENCE)
"""Fitted on every family there is."""
