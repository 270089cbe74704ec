"""The same prescription for a stronger or a weaker person: every load in it times one factor, nothing else.

Loads are rounded to a tenth of a newton, so that files stay readable; rounding keeps floor, bouts and start in order.
"""

from __future__ import annotations

from ebbset.models.contract.prescription import Prescription

_PLACES = 1
_STEP_PARAMETER = "step_n"


def scaled(prescription: Prescription, factor: float) -> Prescription:
    """The prescription with its loads multiplied.

    Args:
        prescription: the original.
        factor: above 0, e.g. one person's 1RM over another's.

    Raises:
        ValueError: a factor that is not above 0 and finite, or that takes a load out of the allowed range.
    """
    if not 0.0 < factor < float("inf"):
        raise ValueError(f"factor is {factor!r}; allowed: above 0 and finite")
    data = prescription.model_dump()
    for key in ("start_n", "floor_n"):
        data["load"][key] = round(data["load"][key] * factor, _PLACES)
    for bout in data["bouts"]:
        if bout["load_n"] is not None:
            bout["load_n"] = round(bout["load_n"] * factor, _PLACES)
    step = data["drop"]["parameters"].get(_STEP_PARAMETER)
    if step is not None:
        data["drop"]["parameters"][_STEP_PARAMETER] = round(step * factor, _PLACES)
    return Prescription.model_validate(data)


def started_at(prescription: Prescription, start_n: float) -> Prescription:
    """The prescription with its loads multiplied so that the first is this one.

    Args:
        prescription: the original.
        start_n: first load, N per cable, above 0.

    Raises:
        ValueError: a load that is not above 0 and finite, or that takes another out of the allowed range.
    """
    return scaled(prescription, start_n / prescription.load.start_n)
