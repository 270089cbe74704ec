"""How long a set can last at most, and how long it probably will, from its prescription alone."""

from __future__ import annotations

from typing import Final

from ebbset.models.contract.prescription import Prescription

SET_S: Final = 40.0
"""Rough length of a straight set; only used to see how many sets fit into the minutes."""
LAST_SECOND_S: Final = 1.0
"""Between the last moment of a set and its unloading: link, decision and the end of a movement, s."""


def unloading_s(start_n: float, ramp_n_per_s: float) -> float:
    """Time from a set's time limit until its load is off, at the latest, s.

    Args:
        start_n: start load, N per cable.
        ramp_n_per_s: how fast loads change, N/s.
    """
    return start_n / ramp_n_per_s + LAST_SECOND_S


def longest_s(prescription: Prescription) -> float:
    """The longest that a set can take from its start until its load is off, s; its rests are within its time limit."""
    return prescription.stop.max_duration_s + unloading_s(prescription.load.start_n, prescription.load.ramp_n_per_s)


def likely_s(prescription: Prescription) -> float:
    """How long a set will roughly take: some forty seconds a bout, its rests, and never more than its time limit, s."""
    bouts = prescription.bouts
    return min(len(bouts) * SET_S + sum(bout.rest_before_s for bout in bouts), prescription.stop.max_duration_s)


def ended_within(prescription: Prescription, available_s: float) -> Prescription | None:
    """The same set with a time limit by which it is unloaded within the time available; None if there is no such limit.

    Args:
        prescription: the set.
        available_s: from its start, s.
    """
    if longest_s(prescription) <= available_s:
        return prescription
    limit_s = available_s - unloading_s(prescription.load.start_n, prescription.load.ramp_n_per_s)
    # Down to a tenth of a second, so that rounding never takes more than there is.
    limit_s = int(limit_s * 10.0) / 10.0
    if limit_s <= 0.0:
        return None
    stop = prescription.stop.model_copy(update={"max_duration_s": limit_s})
    return prescription.model_copy(update={"stop": stop})
