"""Each stop rule alone at its boundary, what it reports, and which comes first where several hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.sides import difference_of
from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.controller.estimation.capacity import CapacityView
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.cable import Cable, Counts
from ebbset.controller.regulation.outcomes import Finding
from ebbset.controller.regulation.stop_rules import (
    SideStrikes,
    after_repetition,
    budget,
    by_time,
)
from ebbset.models.contract.prescription import Prescription, StallSection, example
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line

LAST = RepetitionEnded(
    outcome=RepetitionOutcome.COMPLETED,
    t_start_us=0,
    t_end_us=1_000_000,
    rom_m=0.5,
    mean_velocity_m_s=0.4,
    peak_velocity_m_s=0.6,
    min_velocity_m_s=0.1,
    mean_force_n=None,
    load_changed=False,
)


@dataclass
class Figures:
    """What the rules read of a cable."""

    spent: float | None = 0.1
    hard: float = 0.0
    marginal: float | None = 1.0
    completed: int = 0
    short_in_a_row: int = 0
    best_velocity_m_s: float = 0.5
    last: RepetitionEnded | None = field(default_factory=lambda: LAST)

    def cable(self) -> Cable:
        """A cable with these figures, which no sequence of repetitions would give so exactly."""
        it = Cable(example(), None, has_force=False)
        it.segmenter = RepetitionSegmenter(stall=StallSection(), line=generic_line("row"), rom_m=0.52, has_force=False)
        it.estimate = CapacityView(
            capacity_n=450.0, capacity_sd_n=9.0, fresh_n=500.0, budget_spent=self.spent, budget_sd=0.02
        )
        it.counts = Counts(completed=self.completed, short_in_a_row=self.short_in_a_row)
        it.effort.hard_repetitions = self.hard
        it.effort.first_worth, it.effort.last_worth = 1.0, self.marginal
        it.last, it.best_velocity_m_s = self.last, self.best_velocity_m_s
        return it


def order(budget: dict[str, Any] | None = None, **stop: Any) -> Prescription:
    off: dict[str, Any] = {
        "max_left_right_difference": None,
        "min_rom_fraction": None,
        "max_velocity_loss": None,
        "max_repetitions": None,
    }
    return example(budget=budget or {}, stop={**off, **stop})


def judged(prescription: Prescription, *figures: Figures, index: int = 0, strikes: int = 0) -> Finding | None:
    cables = [one.cable() for one in figures]
    lasts = [one.last for one in figures]
    sides = SideStrikes(strikes)
    if len(lasts) == 2 and lasts[0] is not None and lasts[1] is not None:
        sides.difference = difference_of(lasts[0], lasts[1])
    return after_repetition(prescription, cables, index, sides)


def test_without_rules_nothing_ends_a_set() -> None:
    tired = Figures(spent=1.0, hard=99.0, marginal=0.0, completed=99, short_in_a_row=99, best_velocity_m_s=9.0)
    nothing = order(budget={"capacity_loss": None, "hard_repetitions": None, "least_marginal_worth": None})
    assert judged(nothing, tired, tired, strikes=99) is None


def test_the_budget_ends_a_set_when_the_loss_is_reached() -> None:
    prescription = order(budget={"capacity_loss": 0.3})
    assert judged(prescription, Figures(spent=0.2999)) is None
    assert judged(prescription, Figures(spent=None)) is None
    found = judged(prescription, Figures(), Figures(spent=0.3), index=1)
    assert found == Finding(
        Reason.BUDGET_SPENT,
        (("budget_spent", 0.3), ("capacity_n", 450.0), ("capacity_sd_n", 9.0), ("fresh_capacity_n", 500.0)),
        (("capacity_loss", 0.3),),
        1,
    )


def test_at_a_stall_the_budget_of_every_cable_counts() -> None:
    prescription = order(budget={"capacity_loss": 0.3})
    assert budget(prescription, [Figures().cable(), Figures(spent=0.29).cable()]) is None
    found = budget(prescription, [Figures().cable(), Figures(spent=0.31).cable()])
    assert found is not None
    assert (found.reason, found.cable) == (Reason.BUDGET_SPENT, 1)


def test_hard_repetitions_end_a_set_when_there_are_as_many() -> None:
    prescription = order(budget={"capacity_loss": None, "hard_repetitions": 4.0})
    assert judged(prescription, Figures(hard=3.99)) is None
    assert judged(prescription, Figures(hard=4.0)) == Finding(
        Reason.BUDGET_SPENT, (("hard_repetitions", 4.0), ("budget_spent", 0.1)), (("hard_repetitions", 4.0),), 0
    )


def test_marginal_worth_ends_a_set_below_its_least_value() -> None:
    prescription = order(budget={"capacity_loss": None, "least_marginal_worth": 0.25})
    assert judged(prescription, Figures(marginal=0.25)) is None
    assert judged(prescription, Figures(marginal=None)) is None
    assert judged(prescription, Figures(marginal=0.24)) == Finding(
        Reason.BUDGET_SPENT, (("marginal_worth", 0.24), ("budget_spent", 0.1)), (("least_marginal_worth", 0.25),), 0
    )


def side(rom_m: float, velocity_m_s: float) -> Figures:
    return Figures(last=replace(LAST, rom_m=rom_m, mean_velocity_m_s=velocity_m_s))


def test_the_difference_of_sides_is_relative_to_the_larger() -> None:
    def difference(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
        ended = [replace(LAST, rom_m=rom_m, mean_velocity_m_s=velocity_m_s) for rom_m, velocity_m_s in (one, other)]
        return difference_of(*ended)

    assert difference((0.4, 0.5), (0.5, 0.3)) == pytest.approx((0.2, 0.4))
    assert difference((0.5, 0.3), (0.4, 0.5)) == pytest.approx((0.2, 0.4))
    assert difference((0.0, -0.2), (0.0, 0.1)) == pytest.approx((0.0, 1.5))
    assert difference((0.002, 0.5), (0.004, 0.5)) == pytest.approx((0.5, 0.0))
    assert difference((0.0, 0.0), (0.0, 0.0)) == (0.0, 0.0)


def test_strikes_count_in_a_row_and_only_beyond_what_is_allowed() -> None:
    sides = SideStrikes()
    for difference, strikes in (
        *(((0.0, 0.3), 1), ((0.3, 0.0), 2), ((0.15, 0.15), 0), ((0.2, 0.2), 1)),
        *(((0.0, 0.3), 2), ((0.05, 0.1), 0), ((0.16, 0.0), 1)),
    ):
        sides.settle(difference, 0.15)
        assert (sides.strikes, sides.difference) == (strikes, difference)


def test_sides_that_differ_end_a_set_after_enough_strikes() -> None:
    prescription = order(max_left_right_difference=0.15, left_right_strikes=2)
    two = side(0.4, 0.5), side(0.5, 0.5)
    assert judged(prescription, *two, strikes=1) is None
    assert judged(prescription, two[0], strikes=2) is None, "one cable has no sides"
    found = judged(prescription, *two, strikes=2)
    assert found is not None
    assert (found.reason, found.cable) == (Reason.LEFT_RIGHT_DIFFERENCE, None)
    assert dict(found.inputs) == pytest.approx({"rom_difference": 0.2, "velocity_difference": 0.0, "strikes": 2.0})
    assert found.thresholds == (("max_left_right_difference", 0.15), ("left_right_strikes", 2.0))
    assert judged(order(left_right_strikes=2), *two, strikes=2) is None


def test_a_shrinking_range_ends_a_set_after_enough_short_repetitions() -> None:
    prescription = order(min_rom_fraction=0.8, rom_strikes=3)
    assert judged(prescription, Figures(short_in_a_row=2)) is None
    assert judged(prescription, Figures(short_in_a_row=3, last=None)) is None
    assert judged(prescription, Figures(short_in_a_row=3)) == Finding(
        Reason.ROM_SHRINKING,
        (("rom_m", 0.5), ("rom_reference_m", 0.52), ("short_in_a_row", 3.0)),
        (("min_rom_fraction", 0.8), ("rom_strikes", 3.0)),
        0,
    )


def test_velocity_loss_ends_a_set_when_it_is_reached() -> None:
    prescription = order(max_velocity_loss=0.25)
    assert judged(prescription, Figures(best_velocity_m_s=0.53)) is None
    assert judged(prescription, Figures(best_velocity_m_s=0.0)) is None
    assert judged(prescription, Figures(best_velocity_m_s=0.8, last=None)) is None
    assert judged(prescription, Figures(best_velocity_m_s=0.8, last=replace(LAST, load_changed=True))) is None
    exactly = Figures(best_velocity_m_s=0.5, last=replace(LAST, mean_velocity_m_s=0.375))
    assert judged(prescription, exactly) == Finding(
        Reason.VELOCITY_LOSS,
        (("mean_velocity_m_s", 0.375), ("best_velocity_m_s", 0.5), ("velocity_loss", 0.25)),
        (("max_velocity_loss", 0.25),),
        0,
    )
    barely = Figures(best_velocity_m_s=0.01, last=replace(LAST, mean_velocity_m_s=0.005))
    assert judged(prescription, barely) is not None, "slow as the best one is, half of it is a loss"


def test_repetitions_end_a_set_when_the_slower_side_has_done_them() -> None:
    prescription = order(max_repetitions=8)
    assert judged(prescription, Figures(completed=9), Figures(completed=7)) is None
    assert judged(prescription, Figures(completed=9), Figures(completed=8), index=1) == Finding(
        Reason.REPETITIONS_DONE, (("repetitions", 8.0),), (("max_repetitions", 8.0),)
    )


def test_where_several_rules_hold_the_first_in_their_order_is_reported() -> None:
    everything = Figures(spent=0.5, hard=9.0, marginal=0.0, completed=9, short_in_a_row=9, best_velocity_m_s=2.0)
    budgets: dict[str, Any] = {"capacity_loss": 0.3, "hard_repetitions": 4.0, "least_marginal_worth": 0.2}
    stops: dict[str, Any] = {
        "max_left_right_difference": 0.15,
        "min_rom_fraction": 0.8,
        "max_velocity_loss": 0.25,
        "max_repetitions": 8,
    }
    told = []
    while budgets or stops:
        found = judged(order(budget={"capacity_loss": None, **budgets}, **stops), everything, everything, strikes=9)
        assert found is not None
        told.append(found.thresholds[0][0])
        (budgets if told[-1] in budgets else stops).pop(told[-1])
    assert told == [
        *("capacity_loss", "hard_repetitions", "least_marginal_worth"),
        *("max_left_right_difference", "min_rom_fraction", "max_velocity_loss", "max_repetitions"),
    ]


def timed(
    elapsed_us: int = 0,
    still_us: int = 0,
    *,
    any_repetition: bool = True,
    ascending: bool = False,
    stall: dict[str, Any] | None = None,
) -> Finding | None:
    prescription = example(
        stop={"max_duration_s": 60.0, "max_pause_s": 4.0, "max_start_wait_s": 20.0}, stall=stall or {}
    )
    return by_time(
        prescription,
        elapsed_us=elapsed_us,
        still_us=still_us,
        any_repetition=any_repetition,
        ascending=ascending,
    )


def test_a_set_ends_after_its_longest_duration() -> None:
    assert timed(60_000_000) is None
    assert timed(60_000_001) == Finding(Reason.DURATION_SPENT, (("elapsed_s", 60.000001),), (("max_duration_s", 60.0),))


def test_a_pause_ends_a_set_and_the_wait_for_the_first_repetition_may_be_longer() -> None:
    assert timed(still_us=4_000_000) is None
    assert timed(still_us=4_000_001) == Finding(
        Reason.PAUSE_TOO_LONG, (("still_s", 4.000001),), (("max_pause_s", 4.0),)
    )
    assert timed(still_us=20_000_000, any_repetition=False) is None
    assert timed(still_us=20_000_001, any_repetition=False) == Finding(
        Reason.PAUSE_TOO_LONG, (("still_s", 20.000001),), (("max_start_wait_s", 20.0),)
    )


@pytest.mark.parametrize(
    ("stall", "decided_s"),
    [
        ({"rule": "dwell", "dwell_s": 0.3, "grind_s": 6.0}, 6.8),
        ({"rule": "evidence", "still_limit_s": 3.0, "grind_s": 2.0}, 5.5),
    ],
)
def test_the_pause_waits_for_the_stall_rule_while_an_ascent_is_under_way(
    stall: dict[str, Any], decided_s: float
) -> None:
    assert timed(still_us=4_000_001, stall=stall) is not None
    assert timed(still_us=int(decided_s * 1e6), stall=stall, ascending=True) is None
    found = timed(still_us=int(decided_s * 1e6) + 1, stall=stall, ascending=True)
    assert found is not None
    assert dict(found.thresholds) == pytest.approx({"stall_decided_s": decided_s})
    assert timed(still_us=4_000_001, ascending=True) is not None, "the rule is quicker than the pause anyway"


def test_an_ascent_under_way_never_shortens_the_pause_and_where_both_end_together_the_pause_is_named() -> None:
    quick = {"rule": "dwell", "dwell_s": 0.3, "grind_s": 0.0}
    assert timed(still_us=4_000_000, stall=quick, ascending=True) is None
    for stall in (quick, {"rule": "evidence", "still_limit_s": 2.5, "grind_s": 1.0}):
        assert timed(still_us=4_000_001, stall=stall, ascending=True) == Finding(
            Reason.PAUSE_TOO_LONG, (("still_s", 4.000001),), (("max_pause_s", 4.0),)
        )


def test_a_finding_can_be_kept_because_nobody_can_change_it() -> None:
    found = timed(60_000_001)
    with pytest.raises(AttributeError):
        found.reason = Reason.PAUSE_TOO_LONG  # type: ignore[misc, union-attr]
