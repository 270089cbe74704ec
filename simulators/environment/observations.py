"""What an environment shows at a stall: the `DropView` that a drop policy gets, as one vector, and back.

Every number that a policy can use is in it, none of the simulator's truth is, and `view_of` gives the same view again,
to the bit. What may be unknown has a companion that is 1 where it is known; an unknown number is 0. No decision here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.estimation.exercise_priors import UNKNOWN
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.policies.policy import DropView
from ebbset.models.contract.field_types import FORCE_N, LOAD_N, VELOCITY_M_S
from ebbset.models.physiology.load_velocity import UNKNOWN_EXERCISE_LINE

FloatArray = npt.NDArray[np.float64]

REASONS: Final = (Reason.STALL_IN_CONCENTRIC, Reason.STALL_FORESEEN, Reason.REVERSAL, Reason.FAILED_START)
"""Kinds of stall at which a policy is asked; the order of the first entries of an observation."""
_MOST_COUNT: Final = 10_000.0
_CAPACITY_N: Final = (0.0, 100_000.0)
_LINE_M_S: Final = (-20.0, 20.0)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of an observation.

    Attributes:
        name: field of `DropView`, or of its forecast.
        unit: of the value; empty: none.
        low: least value.
        high: greatest value.
        meaning: in words.
        read: the value in a view; None: unknown.
        optional: it may be unknown, so that an entry ``NAME_known`` tells.
    """

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    read: Callable[[DropView], float | None]
    optional: bool = False


def _field(name: str) -> Callable[[DropView], float | None]:
    def read(view: DropView) -> float | None:
        value = getattr(view, name)
        return None if value is None else float(value)

    return read


def _forecast(read: Callable[[RepetitionForecast], float]) -> Callable[[DropView], float | None]:
    return lambda view: None if view.forecast is None else read(view.forecast)


def _reason(reason: Reason) -> Entry:
    meaning = f"1 if the stall is a {reason.value}, else 0"
    return Entry(f"reason_{reason.value}", "", 0.0, 1.0, meaning, lambda view: float(view.reason is reason))


_LOAD: Final = (float(LOAD_N[0]), float(LOAD_N[1]))
_VELOCITY: Final = (float(VELOCITY_M_S[0]), float(VELOCITY_M_S[1]))
_FORCE: Final = (float(FORCE_N[0]), float(FORCE_N[1]))
ENTRIES: Final[tuple[Entry, ...]] = (
    *(_reason(reason) for reason in REASONS),
    Entry("load_n", "N", *_LOAD, "load now, on the cable that stalled", _field("load_n")),
    Entry("floor_n", "N", *_LOAD, "least load under a lifter", _field("floor_n")),
    Entry("start_n", "N", *_LOAD, "prescribed start load", _field("start_n")),
    Entry("step", "", 0.0, _MOST_COUNT, "drops so far in this bout", _field("step")),
    Entry("repetitions_in_step", "", 0.0, _MOST_COUNT, "completed since the last drop", _field("repetitions_in_step")),
    Entry("repetitions_in_set", "", 0.0, _MOST_COUNT, "completed since the set began", _field("repetitions_in_set")),
    Entry("stall_velocity_m_s", "m/s", *_VELOCITY, "at the stall", _field("stall_velocity_m_s")),
    Entry("stall_force_n", "N", *_FORCE, "at the stall", _field("stall_force_n"), optional=True),
    Entry(
        "stall_position_fraction",
        "",
        -100.0,
        100.0,
        "position as a part of the range of motion",
        _field("stall_position_fraction"),
        optional=True,
    ),
    Entry("stall_duration_s", "s", 0.0, 3_600.0, "the handle had been still for", _field("stall_duration_s")),
    Entry("capacity_n", "N", *_CAPACITY_N, "momentary 1RM, estimated", _field("capacity_n"), optional=True),
    Entry("capacity_sd_n", "N", *_CAPACITY_N, "its standard deviation", _field("capacity_sd_n"), optional=True),
    Entry(
        "fresh_capacity_n", "N", *_CAPACITY_N, "1RM of the day, estimated", _field("fresh_capacity_n"), optional=True
    ),
    Entry(
        "loss_per_repetition",
        "",
        0.0,
        10.0,
        "part of the momentary capacity that the next repetition would cost",
        _field("loss_per_repetition"),
        optional=True,
    ),
    Entry(
        "budget_spent", "", 0.0, 1.0, "loss of capacity from fresh, estimated", _field("budget_spent"), optional=True
    ),
    Entry("budget_limit", "", 0.0, 1.0, "prescribed limit of that loss", _field("budget_limit"), optional=True),
    Entry(
        "forecast_cost",
        "",
        -1.0,
        1.0,
        "part of the capacity that a very fast repetition costs",
        _forecast(lambda f: f.cost),
        optional=True,
    ),
    Entry(
        "forecast_v0_m_s",
        "m/s",
        *_LINE_M_S,
        "this person's velocity at no load",
        _forecast(lambda f: f.line.v0_m_s + f.v0_off_m_s),
        optional=True,
    ),
    Entry(
        "forecast_v1_m_s",
        "m/s",
        *_LINE_M_S,
        "this person's velocity at 1RM, on the straight line",
        _forecast(lambda f: f.line.v_1rm_m_s + f.v1_off_m_s),
        optional=True,
    ),
    Entry(
        "forecast_bend_m_s",
        "m/s",
        *_LINE_M_S,
        "fall below that line near 1RM",
        _forecast(lambda f: f.prior.bend_m_s),
        optional=True,
    ),
    Entry(
        "forecast_seconds_at_1_m_s",
        "s",
        0.0,
        10.0,
        "a repetition costs the cost x (1 + this / mean velocity)",
        _forecast(lambda f: f.prior.seconds_at_1_m_s),
        optional=True,
    ),
    Entry(
        "forecast_completes_at",
        "",
        0.0,
        2.0,
        "least capacity, as a part of the load, that still completes an attempt",
        _forecast(lambda f: f.prior.completes_at),
        optional=True,
    ),
)
_OPTIONAL: Final = tuple(entry for entry in ENTRIES if entry.optional)
NAMES: Final = (*(entry.name for entry in ENTRIES), *(f"{entry.name}_known" for entry in _OPTIONAL))
"""Name of each entry of an observation, in order."""
LOW: Final[FloatArray] = np.array([entry.low for entry in ENTRIES] + [0.0] * len(_OPTIONAL))
HIGH: Final[FloatArray] = np.array([entry.high for entry in ENTRIES] + [1.0] * len(_OPTIONAL))


def observation_of(view: DropView) -> FloatArray:
    """A view as a vector, shape (entries,); a value beyond its bounds is cut to them.

    Args:
        view: what is known at a stall.

    Raises:
        ValueError: a kind of stall that no simulated rig reports.
    """
    if view.reason not in REASONS:
        raise ValueError(f"reason is {view.reason.value}; allowed: {', '.join(reason.value for reason in REASONS)}")
    read = [entry.read(view) for entry in ENTRIES]
    values = [0.0 if value is None else value for value in read]
    known = [float(value is not None) for entry, value in zip(ENTRIES, read, strict=True) if entry.optional]
    return np.clip(np.array(values + known, dtype=np.float64), LOW, HIGH)


def view_of(observation: FloatArray) -> DropView:
    """The view that an observation was made from, equal for everything that a policy can compute from it.

    Its forecast has this person's velocities in the line itself, so that it counts the same to the bit.

    Args:
        observation: from an environment, shape (entries,).

    Raises:
        ValueError: another shape, or not exactly one kind of stall.
    """
    if np.shape(observation) != LOW.shape:
        raise ValueError(f"observation has shape {np.shape(observation)}; allowed: {LOW.shape}")
    kinds = [reason for reason, mark in zip(REASONS, observation, strict=False) if mark == 1.0]
    if len(kinds) != 1:
        raise ValueError(f"observation names {len(kinds)} kinds of stall; allowed: one")
    found = {name: float(value) for name, value in zip(NAMES, observation, strict=True)}

    def known(name: str) -> float | None:
        return found[name] if found[f"{name}_known"] else None

    capacity_n = known("capacity_n")
    return DropView(
        reason=kinds[0],
        load_n=found["load_n"],
        floor_n=found["floor_n"],
        start_n=found["start_n"],
        step=int(found["step"]),
        repetitions_in_step=int(found["repetitions_in_step"]),
        repetitions_in_set=int(found["repetitions_in_set"]),
        stall_velocity_m_s=found["stall_velocity_m_s"],
        stall_force_n=known("stall_force_n"),
        stall_position_fraction=known("stall_position_fraction"),
        stall_duration_s=found["stall_duration_s"],
        capacity_n=capacity_n,
        capacity_sd_n=known("capacity_sd_n"),
        fresh_capacity_n=known("fresh_capacity_n"),
        loss_per_repetition=known("loss_per_repetition"),
        budget_spent=known("budget_spent"),
        budget_limit=known("budget_limit"),
        forecast=None if capacity_n is None or not found["forecast_cost_known"] else _forecast_of(found, capacity_n),
    )


def _forecast_of(found: dict[str, float], capacity_n: float) -> RepetitionForecast:
    line = replace(UNKNOWN_EXERCISE_LINE, v0_m_s=found["forecast_v0_m_s"], v_1rm_m_s=found["forecast_v1_m_s"])
    prior = replace(
        UNKNOWN,
        bend_m_s=found["forecast_bend_m_s"],
        seconds_at_1_m_s=found["forecast_seconds_at_1_m_s"],
        completes_at=found["forecast_completes_at"],
    )
    return RepetitionForecast(capacity_n, found["forecast_cost"], line, prior=prior, steps=CURRENT.steps)


def as_markdown() -> str:
    """The entries of an observation as a Markdown table."""
    lines = ["| # | entry | unit | from | to | meaning |", "|---|---|---|---|---|---|"]
    lines += [
        f"| {k} | `{entry.name}` | {entry.unit} | {entry.low:g} | {entry.high:g} | {entry.meaning} |"
        for k, entry in enumerate(ENTRIES)
    ]
    first, last = len(ENTRIES), len(NAMES) - 1
    told = ", ".join(f"`{name}`" for name in NAMES[first:])
    lines.append(f"| {first} to {last} | {told} | | 0 | 1 | 1 where the entry of that name is known; else it is 0 |")
    return "\n".join(lines) + "\n"
