"""Formatting of values for people: loads in the unit they chose, quantities with their units, codes as words.

The only place where a value becomes text for people, in the terminal and on the page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from ebbset.models.contract.field_types import PLAIN_LINES
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.units import LoadUnit, from_newtons

NONE: Final = "–"
"""Shown where there is no value."""

OUTCOMES: Final[dict[RepetitionOutcome, str]] = {
    RepetitionOutcome.COMPLETED: "completed",
    RepetitionOutcome.PARTIAL: "partial",
    RepetitionOutcome.FAILED: "failed",
    RepetitionOutcome.NOT_STARTED: "not started",
}

ACTIONS: Final[dict[str, str]] = {
    "arm": "Armed",
    "load": "Load on",
    "drop": "Dropped",
    "hold": "Held",
    "rest": "Rest",
    "end": "Ended",
}
"""What a decision did, as the first word of its line."""

_UNSEEN: Final = re.compile(PLAIN_LINES.removeprefix("^[^").removesuffix("]*$").join("[]"))
_PARTS: Final = frozenset(
    {
        "budget_spent",
        "certainty",
        "capacity_loss",
        "least_marginal_worth",
        "loss_per_repetition",
        "marginal_worth",
        "max_left_right_difference",
        "max_velocity_loss",
        "min_rom_fraction",
        "position_fraction",
        "probability",
        "rom_difference",
        "velocity_difference",
        "velocity_loss",
    }
)
_NAMES: Final[dict[str, str]] = {
    "capacity_sd_n": "standard deviation of capacity",
    "position_fraction": "position in the ROM",
    "rom_m": "ROM",
    "rom_reference_m": "reference ROM",
    "min_rom_fraction": "least part of the ROM",
    "rom_difference": "difference in ROM",
    "velocity_difference": "difference in velocity",
    "rom_strikes": "short repetitions allowed",
}
_UNITS: Final[tuple[tuple[str, str, int], ...]] = (
    ("_n_per_s", "N/s", 0),
    ("_m_s", "m/s", 2),
    ("_ms", "ms", 0),
    ("_us", "µs", 0),
    ("_hz", "Hz", 0),
    ("_m", "m", 2),
    ("_s", "s", 2),
)


def visible(text: str) -> str:
    r"""Text in which characters that would control a screen or turn its direction stand as ``\uXXXX``.

    Line breaks and tabs stay. Within the strings of a JSON document the result means the same as before.
    """
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def load(load_n: float | None, unit: LoadUnit) -> str:
    """One load with its unit: tenths of a kilogram or pound, whole newtons.

    Args:
        load_n: newtons; None is shown as a dash.
        unit: unit people asked for.
    """
    return NONE if load_n is None else f"{bare_load(load_n, unit)} {unit}"


def bare_load(load_n: float | None, unit: LoadUnit) -> str:
    """The same without the unit, for columns whose head names it.

    Args:
        load_n: newtons; None is shown as a dash.
        unit: unit people asked for.
    """
    if load_n is None:
        return NONE
    return f"{from_newtons(load_n, unit):.{0 if unit == 'N' else 1}f}"


def spread(mean_n: float, sd_n: float, unit: LoadUnit) -> str:
    """A load with its standard deviation: ``71.4 ± 3.1 kg (700 ± 30 N)``, the unit of people first.

    Args:
        mean_n: newtons.
        sd_n: standard deviation, newtons.
        unit: unit people asked for.
    """
    newtons = f"{mean_n:.0f} ± {sd_n:.0f} N"
    return newtons if unit == "N" else f"{bare_load(mean_n, unit)} ± {load(sd_n, unit)} ({newtons})"


def loads(load_n: Sequence[float], unit: LoadUnit) -> str:
    """Loads of all cables; one figure when they are equal.

    Args:
        load_n: newtons, one per cable.
        unit: unit people asked for.
    """
    if not load_n:
        return NONE
    texts = [bare_load(value, unit) for value in load_n]
    if not any(load_n):
        return "unloaded"
    return f"{texts[0] if len(set(texts)) == 1 else ' | '.join(texts)} {unit}"


def part(value: float | None) -> str:
    """A part of one, as a percentage."""
    return NONE if value is None else f"{value:.0%}".replace("%", " %")


def number(value: float | None, places: int = 2) -> str:
    """A plain number, or a dash.

    Args:
        value: None is shown as a dash.
        places: decimal places.
    """
    return NONE if value is None else f"{value:.{places}f}"


def seconds(value: float) -> str:
    """A duration: seconds up to two minutes, minutes and seconds above."""
    return f"{value:.0f} s" if value < 120 else f"{int(value) // 60} min {int(value) % 60:02d} s"


def moment(t_s: float) -> str:
    """A time on the axis of a set, with a minus sign before the first load."""
    return f"{t_s:.2f} s".replace("-", "−")


def quantity(name: str, value: float | None, unit: LoadUnit) -> str:
    """One named number of a decision, e.g. ``velocity 0.04 m/s``; the unit stands at the end of the name.

    Args:
        name: of the number, with its unit at the end.
        value: in that unit; None is shown as a dash.
        unit: unit that loads are shown in.
    """
    label, shown = labelled(name, value, unit)
    return f"{label} {shown}"


def labelled(name: str, value: float | None, unit: LoadUnit) -> tuple[str, str]:
    """The name in words and the value with its unit.

    Args:
        name: of the number, with its unit at the end.
        value: in that unit; None is shown as a dash.
        unit: unit that loads are shown in.
    """
    if name in _PARTS:
        return _NAMES.get(name, name.removesuffix("_fraction").replace("_", " ")), part(value)
    if name.endswith("_n"):
        return _NAMES.get(name, name.removesuffix("_n").replace("_", " ")), load(value, unit)
    for suffix, symbol, places in _UNITS:
        if name.endswith(suffix):
            label = _NAMES.get(name, name.removesuffix(suffix).replace("_", " "))
            if value is None:
                return label, NONE
            shown = f"{value:.{places}f}"
            if suffix == "_s":
                shown = shown.rstrip("0").rstrip(".")
            return label, f"{shown} {symbol}"
    return _NAMES.get(name, name.replace("_", " ")), NONE if value is None else f"{value:g}"


def outcome(outcome: RepetitionOutcome, tried_n: float, ended_n: float, unit: LoadUnit) -> str:
    """How a repetition ended: ``completed``, or ``completed at 32.0`` when the load dropped while it was under way.

    Args:
        outcome: its outcome.
        tried_n: load when it began, newtons.
        ended_n: load when it ended, newtons.
        unit: unit people asked for.
    """
    helped = "" if tried_n == ended_n else f" at {bare_load(ended_n, unit)}"
    return OUTCOMES[outcome] + helped


def load_change(from_n: Sequence[float], to_n: Sequence[float], unit: LoadUnit) -> str:
    """What happened to the load: ``40.0 → 32.0 kg``, or the load it stayed at.

    Args:
        from_n: before, newtons per cable.
        to_n: after, newtons per cable.
        unit: unit people asked for.
    """
    before, after = loads(from_n, unit), loads(to_n, unit)
    if not any(from_n) or before == after:
        return after
    return f"{before.removesuffix(f' {unit}')} → {after}" if after.endswith(unit) else f"{before} → {after}"


def plural(count: int, one: str, many: str | None = None) -> str:
    """``1 repetition``, ``3 repetitions``.

    Args:
        count: how many.
        one: the singular.
        many: the plural, if it is not the singular with an s.
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
