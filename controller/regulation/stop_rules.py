"""The stop rules that a prescription may set, each a pure function of counts and figures, in one order.

A rule returns a `Finding` (reason, the numbers it used, the thresholds it compared them with) or None. Faults and
requests are not here: they end a set through the transition table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.cable import Cable
from ebbset.models.contract.prescription import Prescription, StopSection

Numbers = tuple[tuple[str, float | None], ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule that holds."""

    reason: Reason
    inputs: Numbers
    thresholds: Numbers
    cable: int | None = None


def after_repetition(
    prescription: Prescription, cables: Sequence[Cable], index: int, side_strikes: int
) -> Finding | None:
    """The rules looked at when a concentric of cable ``index`` has ended; the first that holds, in fixed order."""
    stop = prescription.stop
    cable = cables[index]
    return (
        _budget(prescription, cable, index)
        or _hard_repetitions(prescription, cable, index)
        or _marginal_worth(prescription, cable, index)
        or _left_right(stop, cables, side_strikes)
        or _rom(stop, cable, index)
        or _velocity_loss(stop, cable, index)
        or _repetitions(stop, cables)
    )


def _budget(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    limit = prescription.budget.capacity_loss
    spent = cable.capacity.budget_spent
    if limit is None or spent is None or spent < limit:
        return None
    return Finding(
        Reason.BUDGET_SPENT,
        (
            ("budget_spent", spent),
            ("capacity_n", cable.capacity.capacity_n),
            ("capacity_sd_n", cable.capacity.capacity_sd_n),
            ("fresh_capacity_n", cable.capacity.fresh_n),
        ),
        (("capacity_loss", limit),),
        index,
    )


def _hard_repetitions(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    limit = prescription.budget.hard_repetitions
    done = cable.effort.hard_repetitions
    if limit is None or done < limit:
        return None
    inputs = (("hard_repetitions", done), ("budget_spent", cable.capacity.budget_spent))
    return Finding(Reason.BUDGET_SPENT, inputs, (("hard_repetitions", limit),), index)


def _marginal_worth(prescription: Prescription, cable: Cable, index: int) -> Finding | None:
    least = prescription.budget.least_marginal_worth
    marginal = cable.effort.marginal
    if least is None or marginal is None or marginal >= least:
        return None
    inputs = (("marginal_worth", marginal), ("budget_spent", cable.capacity.budget_spent))
    return Finding(Reason.BUDGET_SPENT, inputs, (("least_marginal_worth", least),), index)


def budget(prescription: Prescription, cables: Sequence[Cable]) -> Finding | None:
    """The budget rule for the cable that has spent most, as looked at when a cable stalls."""
    for index, cable in enumerate(cables):
        found = _budget(prescription, cable, index)
        if found is not None:
            return found
    return None


def side_difference(cables: Sequence[Cable]) -> tuple[float, float] | None:
    """Difference of the two sides' last repetitions as part of the larger: (ROM, mean velocity), or None."""
    if len(cables) != 2:
        return None
    one, other = cables[0].last, cables[1].last
    if one is None or other is None:
        return None
    return (
        _relative_difference(one.rom_m, other.rom_m),
        _relative_difference(one.mean_velocity_m_s, other.mean_velocity_m_s),
    )


def _relative_difference(a: float, b: float) -> float:
    larger = max(abs(a), abs(b))
    return 0.0 if larger <= 0.0 else abs(a - b) / larger


def _left_right(stop: StopSection, cables: Sequence[Cable], strikes: int) -> Finding | None:
    allowed = stop.max_left_right_difference
    difference = side_difference(cables)
    if allowed is None or difference is None or strikes < stop.left_right_strikes:
        return None
    return Finding(
        Reason.LEFT_RIGHT_DIFFERENCE,
        (("rom_difference", difference[0]), ("velocity_difference", difference[1]), ("strikes", float(strikes))),
        (("max_left_right_difference", allowed), ("left_right_strikes", float(stop.left_right_strikes))),
    )


def _rom(stop: StopSection, cable: Cable, index: int) -> Finding | None:
    if stop.min_rom_fraction is None or cable.counts.short_in_a_row < stop.rom_strikes or cable.last is None:
        return None
    return Finding(
        Reason.ROM_SHRINKING,
        (
            ("rom_m", cable.last.rom_m),
            ("rom_reference_m", cable.tracker.rom_reference_m),
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


def by_time(stop: StopSection, *, elapsed_us: int, still_us: int, any_repetition: bool) -> Finding | None:
    """Duration and pause, looked at whenever time went by in a bout."""
    if elapsed_us > stop.max_duration_s * 1e6:
        return Finding(
            Reason.DURATION_SPENT, (("elapsed_s", elapsed_us / 1e6),), (("max_duration_s", stop.max_duration_s),)
        )
    name, allowed_s = (
        ("max_pause_s", stop.max_pause_s) if any_repetition else ("max_start_wait_s", stop.max_start_wait_s)
    )
    if still_us > allowed_s * 1e6:
        return Finding(Reason.PAUSE_TOO_LONG, (("still_s", still_us / 1e6),), ((name, allowed_s),))
    return None
