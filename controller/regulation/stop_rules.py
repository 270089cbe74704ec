"""The stop rules that a prescription may set, each a pure function of counts and figures, in one order.

A rule returns a `Finding` (reason, the numbers it used, the thresholds it compared them with) or None; `at_stall` rules
on what a stall leads to. Faults and requests are not here: they end a set through the transition table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbset.controller.detection.evidence.habit_figures import SHIPPED
from ebbset.controller.detection.sides import Difference
from ebbset.controller.detection.signals import StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.policy import DropView
from ebbset.controller.regulation.cable import Cable
from ebbset.controller.regulation.outcomes import BoutDone, End, Finding, Hold, MayDrop, Numbers, StallRuling
from ebbset.models.contract.prescription import Prescription, StallSection, StopSection

AT_FLOOR_N: Final = 0.05
DECIDED_WITHIN_S: Final = 0.5
"""A stall is decided on this much after its longest time at the latest: frames, filter, and a wobble of the handle."""


@dataclass(slots=True)
class SideStrikes:
    """Repetitions in a row in which the two sides differed by more than is allowed, and the last difference."""

    strikes: int = 0
    difference: Difference | None = None

    def settle(self, difference: Difference, allowed: float) -> None:
        """Two repetitions were found to go together, or one to have been done alone.

        Args:
            difference: of the two sides.
            allowed: how much they may differ.
        """
        self.difference = difference
        self.strikes = self.strikes + 1 if max(difference) > allowed else 0


def after_repetition(
    prescription: Prescription, cables: Sequence[Cable], index: int, sides: SideStrikes
) -> Finding | None:
    """The rules looked at when a concentric has ended; the first that holds, in fixed order.

    Args:
        prescription: of the set.
        cables: of the rig, after the repetition was counted.
        index: of the cable whose concentric ended.
        sides: how the two sides compare.
    """
    stop = prescription.stop
    cable = cables[index]
    return (
        _budget(prescription, cable, index)
        or _hard_repetitions(prescription, cable, index)
        or _marginal_worth(prescription, cable, index)
        or left_right(stop, sides)
        or _rom(stop, cable, index)
        or _velocity_loss(stop, cable, index)
        or _repetitions(stop, cables)
    )


def _budget(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    limit, estimate = prescription.budget.capacity_loss, cable.estimate
    counted = estimate.budget_counted
    if limit is None or counted is None or counted < limit:
        return None
    early: Numbers = (("budget_counted", counted),) if estimate.early_sd > 0.0 else ()
    return Finding(
        Reason.BUDGET_SPENT,
        (
            ("budget_spent", estimate.budget_spent),
            *early,
            ("capacity_n", estimate.capacity_n),
            ("capacity_sd_n", estimate.capacity_sd_n),
            ("fresh_capacity_n", estimate.fresh_n),
        ),
        (("capacity_loss", limit),),
        index,
    )


def _hard_repetitions(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    limit = prescription.budget.hard_repetitions
    done = cable.effort.hard_repetitions
    if limit is None or done < limit:
        return None
    inputs = (("hard_repetitions", done), ("budget_spent", cable.estimate.budget_spent))
    return Finding(Reason.BUDGET_SPENT, inputs, (("hard_repetitions", limit),), index)


def _marginal_worth(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    least = prescription.budget.least_marginal_worth
    marginal = cable.effort.marginal
    if least is None or marginal is None or marginal >= least:
        return None
    inputs = (("marginal_worth", marginal), ("budget_spent", cable.estimate.budget_spent))
    return Finding(Reason.BUDGET_SPENT, inputs, (("least_marginal_worth", least),), index)


def budget(prescription: Prescription, cables: Sequence[Cable]) -> Finding | None:
    """The budget rule for the first cable that has spent it, as looked at when a cable stalls.

    Args:
        prescription: of the set.
        cables: of the rig.
    """
    for index, cable in enumerate(cables):
        found = _budget(prescription, cable, index)
        if found is not None:
            return found
    return None


def at_stall(
    prescription: Prescription,
    cables: Sequence[Cable],
    stall: StallSeen,
    view: DropView,
    *,
    index: int,
    bout: int,
    drops: int,
) -> StallRuling:
    """What a stall leads to: the first rule that holds, else a drop.

    Args:
        prescription: of the set.
        cables: of the rig, the stall counted in the estimate.
        stall: what was seen.
        view: what a policy would see.
        index: of the cable that stalled.
        bout: index of the bout under way.
        drops: done so far in the set.
    """
    spent = budget(prescription, cables)
    if spent is not None:
        return End(spent)
    inputs: Numbers = (
        ("velocity_m_s", stall.velocity_m_s),
        ("force_n", stall.force_n),
        ("position_fraction", stall.position_fraction),
        ("stalled_s", stall.duration_s),
        ("probability", stall.probability),
        ("capacity_n", view.capacity_n),
        ("capacity_sd_n", view.capacity_sd_n),
        ("budget_spent", view.budget_spent),
    )
    thresholds = _stall_thresholds(stall, prescription.stall)
    stop = prescription.stop
    if prescription.bouts[bout].on_stall == "end":
        return BoutDone(Finding(stall.reason, inputs, thresholds, index))
    if view.load_n <= view.floor_n + AT_FLOOR_N:
        failures = cables[index].counts.floor_failures + 1
        inputs = (*inputs, ("floor_failures", float(failures)))
        thresholds = (*thresholds, ("floor_failures", float(stop.floor_failures)))
        if failures >= stop.floor_failures:
            return End(Finding(Reason.FLOOR_FAILED, inputs, thresholds, index))
        return Hold(Finding(stall.reason, inputs, thresholds, index))
    if stop.max_drops is not None and drops >= stop.max_drops:
        inputs = (*inputs, ("drops", float(drops)))
        thresholds = (*thresholds, ("max_drops", float(stop.max_drops)))
        return End(Finding(Reason.DROPS_SPENT, inputs, thresholds, index))
    return MayDrop(Finding(stall.reason, inputs, thresholds, index))


def _stall_thresholds(seen: StallSeen, stall: StallSection) -> Numbers:
    """The figures that a stall of this kind was judged by."""
    if seen.reason is Reason.FAILED_START:
        return (("start_patience_s", stall.start_patience_s),)
    if seen.reason is Reason.REPORTED_FAILURE:
        return ()
    slow = ("velocity_m_s", stall.velocity_m_s)
    if stall.rule == "dwell":
        return (slow, ("dwell_s", stall.dwell_s), ("grind_s", stall.grind_s))
    limits: Numbers = (("still_limit_s", stall.still_limit_s), ("grind_s", stall.grind_s))
    if seen.slowed_limit_s is not None:
        limits = (("slowed_limit_s", seen.slowed_limit_s), *limits)
    certainty = round(SHIPPED.certainty(stall), 3) if stall.rule == "habits" else stall.certainty
    return (slow, ("certainty", certainty), *limits)


def left_right(stop: StopSection, sides: SideStrikes) -> Finding | None:
    """Too many repetitions in a row in which the sides differed, as looked at when one ends or begins.

    Args:
        stop: stop rules of the prescription.
        sides: how the two sides compare.
    """
    allowed, difference = stop.max_left_right_difference, sides.difference
    if allowed is None or difference is None or sides.strikes < stop.left_right_strikes:
        return None
    return Finding(
        Reason.LEFT_RIGHT_DIFFERENCE,
        (
            ("rom_difference", difference[0]),
            ("velocity_difference", difference[1]),
            ("strikes", float(sides.strikes)),
        ),
        (("max_left_right_difference", allowed), ("left_right_strikes", float(stop.left_right_strikes))),
    )


def _rom(stop: StopSection, cable: Cable, index: int) -> Finding | None:
    if stop.min_rom_fraction is None or cable.counts.short_in_a_row < stop.rom_strikes or cable.last is None:
        return None
    return Finding(
        Reason.ROM_SHRINKING,
        (
            ("rom_m", cable.last.rom_m),
            ("rom_reference_m", cable.segmenter.rom_reference_m),
            ("short_in_a_row", float(cable.counts.short_in_a_row)),
        ),
        (("min_rom_fraction", stop.min_rom_fraction), ("rom_strikes", float(stop.rom_strikes))),
        index,
    )


def _velocity_loss(stop: StopSection, cable: Cable, index: int) -> Finding | None:
    if stop.max_velocity_loss is None or cable.last is None or cable.best_velocity_m_s <= 0.0:
        return None
    if cable.last.load_changed:
        return None
    loss = 1.0 - cable.last.mean_velocity_m_s / cable.best_velocity_m_s
    if loss < stop.max_velocity_loss:
        return None
    return Finding(
        Reason.VELOCITY_LOSS,
        (
            ("mean_velocity_m_s", cable.last.mean_velocity_m_s),
            ("best_velocity_m_s", cable.best_velocity_m_s),
            ("velocity_loss", loss),
        ),
        (("max_velocity_loss", stop.max_velocity_loss),),
        index,
    )


def _repetitions(stop: StopSection, cables: Sequence[Cable]) -> Finding | None:
    done = min(cable.counts.completed for cable in cables)
    if stop.max_repetitions is None or done < stop.max_repetitions:
        return None
    return Finding(
        Reason.REPETITIONS_DONE,
        (("repetitions", float(done)),),
        (("max_repetitions", float(stop.max_repetitions)),),
    )


def by_duration(stop: StopSection, elapsed_us: int) -> Finding | None:
    """Duration alone, which goes on in a rest.

    Args:
        stop: stop rules of the prescription.
        elapsed_us: since the set was started.
    """
    if elapsed_us <= stop.max_duration_s * 1e6:
        return None
    return Finding(
        Reason.DURATION_SPENT, (("elapsed_s", elapsed_us / 1e6),), (("max_duration_s", stop.max_duration_s),)
    )


def by_time(
    prescription: Prescription, *, elapsed_us: int, still_us: int, any_repetition: bool, ascending: bool
) -> Finding | None:
    """Duration and pause, looked at whenever time went by in a bout.

    A lifter who fights a load in an ascent is not pausing: the stall rule has its time before the pause has.

    Args:
        prescription: of the set.
        elapsed_us: since the set was started.
        still_us: since the lifter was last active.
        any_repetition: one was begun in this bout.
        ascending: an ascent is under way.
    """
    stop = prescription.stop
    spent = by_duration(stop, elapsed_us)
    if spent is not None:
        return spent
    name, allowed_s = (
        ("max_pause_s", stop.max_pause_s) if any_repetition else ("max_start_wait_s", stop.max_start_wait_s)
    )
    if still_us <= allowed_s * 1e6:
        return None
    if ascending:
        decided_s = prescription.stall.longest_decision_s + DECIDED_WITHIN_S
        if still_us <= decided_s * 1e6:
            return None
        if decided_s > allowed_s:
            name, allowed_s = "stall_decided_s", decided_s
    return Finding(Reason.PAUSE_TOO_LONG, (("still_s", still_us / 1e6),), ((name, allowed_s),))
