"""A prescription in words, and whether a profile fits it."""

from __future__ import annotations

from typing import Final

from ebbset.console.exits import CommandError, Exit
from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription, StallSection
from ebbset.models.contract.profile import LifterProfile


def prescription_lines(order: Prescription) -> list[str]:
    """Describe a prescription, one sentence per line."""
    unit = order.units
    lines = [
        f"{order.name}; exercise {order.exercise}; loads shown in {unit}, per cable",
        f"start {formatting.load(order.load.start_n, unit)}, floor {formatting.load(order.load.floor_n, unit)}, "
        f"load changes at most {order.load.ramp_n_per_s:g} N/s, cables {order.load.cables}",
    ]
    for number, bout in enumerate(order.bouts):
        rest = f"after {formatting.seconds(bout.rest_before_s)} rest, " if number else ""
        much = "until its stall rule" if bout.repetitions is None else formatting.plural(bout.repetitions, "repetition")
        then = "a stall drops the load" if bout.on_stall == "drop" else "a stall ends the bout"
        lines.append(f"bout {number + 1}: {rest}{formatting.load(order.bout_load_n(number), unit)}, {much}; {then}")
    given = ", ".join(f"{key} = {value}" for key, value in order.drop.parameters.items())
    lines.append(_stall_text(order.stall))
    lines.append(f"drop policy {order.drop.policy}{f' ({given})' if given else ''}")
    ordered = {name: value for name, value in order.budget.model_dump().items() if value is not None}
    budgets = [formatting.quantity(name, value, unit) for name, value in ordered.items()]
    lines.append(f"fatigue budget: {', '.join(budgets) or 'none'}")
    rules = [
        formatting.quantity(name, float(value), unit)
        for name, value in order.stop.model_dump().items()
        if value is not None and not name.endswith("strikes")
    ]
    lines.append("ends at: " + ", ".join(rules))
    return lines


_PATIENCE: Final = {
    "quick": "quickly, at the price of some hard repetitions",
    "balanced": "neither quickly nor late",
    "patient": "patiently, at the price of late drops",
}


def _stall_text(stall: StallSection) -> str:
    grind = f", after {stall.grind_s:g} s more to fight it" if stall.grind_s else ""
    if stall.rule == "dwell":
        return f"a stall: slower than {stall.velocity_m_s:g} m/s for {stall.dwell_s:g} s{grind}"
    if stall.rule == "habits":
        return (
            f"a stall: called {_PATIENCE[stall.patience]}, or {stall.still_limit_s:g} s slower than "
            f"{stall.velocity_m_s:g} m/s{grind}"
        )
    return (
        f"a stall: {formatting.part(stall.certainty)} certain that the ascent will fail, or "
        f"{stall.still_limit_s:g} s slower than {stall.velocity_m_s:g} m/s{grind}"
    )


def timing_remarks(order: Prescription) -> list[str]:
    """List the times of a prescription that get in each other's way, one sentence each."""
    stall, stop = order.stall, order.stop
    found = []
    if stall.longest_decision_s > stop.max_pause_s:
        own = "dwell_s" if stall.rule == "dwell" else "still_limit_s"
        found.append(
            f"{order.name}: stall.{own} and stall.grind_s together are {stall.longest_decision_s:g} s, longer than "
            f"stop.max_pause_s = {stop.max_pause_s:g} s: a lifter who is stuck in an ascent stays under the load that "
            "long; the pause waits for the stall rule"
        )
    if stall.start_patience_s > stop.max_pause_s:
        found.append(
            f"{order.name}: stall.start_patience_s is {stall.start_patience_s:g}, above stop.max_pause_s = "
            f"{stop.max_pause_s:g}: a lifter who holds the load at the bottom gets no drop, since the pause ends the "
            "set first"
        )
    return found


def mismatches(order: Prescription, profile: LifterProfile) -> list[str]:
    """List what does not fit between a prescription and a profile, one sentence each.

    Args:
        order: the prescription.
        profile: a profile of the same exercise.
    """
    found = []
    v1 = velocity_at_one_rm(profile)
    if order.stall.velocity_m_s > v1.mean - v1.sd:
        found.append(
            f"{order.name}: stall.velocity_m_s is {order.stall.velocity_m_s:g}; {profile.lifter} lifts a 1RM at "
            f"{v1.mean:.2f} ± {v1.sd:.2f} m/s (standard deviation), so a heavy repetition may count as a stall; "
            f"below {v1.mean - v1.sd:.2f} is safer"
        )
    if profile.one_rm_n is not None and order.load.start_n > profile.one_rm_n.mean:
        found.append(
            f"{order.name}: start load {formatting.load(order.load.start_n, order.units)} is above the 1RM of "
            f"{profile.lifter}, {formatting.load(profile.one_rm_n.mean, order.units)}"
        )
    return found


def refuse_mismatch(order: Prescription, profile: LifterProfile | None) -> None:
    """Refuse a profile of another exercise.

    Args:
        order: the prescription.
        profile: the profile, if any.

    Raises:
        CommandError: the two name different exercises.
    """
    if profile is not None and profile.exercise != order.exercise:
        raise CommandError(
            f"profile.exercise is {profile.exercise!r}; allowed: {order.exercise!r}, the exercise of the prescription",
            Exit.BAD_INPUT,
        )
