"""The interface of a drop policy: given what is known at a stall, which load next?

A policy is small and pure. Its state is a value that the core owns and hands back; it reads no clock and draws no
random number. It proposes; floor, ramp, budget and stop rules are applied afterwards and it cannot switch them off.
Third parties ship one under the entry-point group ``ebbset.drop_policies``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from ebbset.controller.estimation.repetitions_in_reserve import RepetitionForecast
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.problems import BadDocumentError, Problem, shorten

ENTRY_POINT_GROUP = "ebbset.drop_policies"


@dataclass(frozen=True, slots=True, kw_only=True)
class DropView:
    """What is known at a stall, for the cable that stalled. Never the simulator's truth.

    Attributes:
        reason: kind of stall.
        load_n: current load, newtons on this cable.
        floor_n: least load under a lifter, newtons.
        start_n: prescribed start load, newtons.
        step: drops so far in this bout.
        repetitions_in_step: completed repetitions since the last drop.
        repetitions_in_set: completed repetitions since the set began.
        stall_velocity_m_s: velocity at the stall, m/s.
        stall_force_n: force at the stall, newtons; ``None``: no force cell.
        stall_position_fraction: position as a fraction of the range of motion; ``None``: range unknown.
        stall_duration_s: time that the handle had been still, seconds.
        capacity_n: momentary 1RM, newtons; ``None``: unknown, like the estimates that follow.
        capacity_sd_n: its standard deviation, newtons.
        fresh_capacity_n: unfatigued 1RM of the day, newtons.
        loss_per_repetition: fraction of momentary capacity that the next repetition would cost.
        budget_spent: loss of capacity from fresh, 0 to 1.
        budget_limit: prescribed limit of that loss; ``None``: no limit.
        forecast: repetitions possible at any load.
    """

    reason: Reason
    load_n: float
    floor_n: float
    start_n: float
    step: int
    repetitions_in_step: int
    repetitions_in_set: int
    stall_velocity_m_s: float
    stall_force_n: float | None
    stall_position_fraction: float | None
    stall_duration_s: float
    capacity_n: float | None
    capacity_sd_n: float | None
    fresh_capacity_n: float | None
    loss_per_repetition: float | None
    budget_spent: float | None
    budget_limit: float | None
    forecast: RepetitionForecast | None


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed load, newtons on this cable, and the policy's explanation of it."""

    load_n: float
    why: str


@runtime_checkable
class DropPolicy(Protocol):
    """A configured policy. `initial` gives the first state; `propose` maps state and view to the next."""

    @property
    def name(self) -> str:
        """Entry-point name."""

    def initial(self) -> Any:
        """State before the first stall: an immutable value."""

    def propose(self, state: Any, view: DropView, /) -> tuple[Any, Proposal]:
        """The next state and the load proposed.

        Args:
            state: what the last call returned, or `initial`.
            view: what is known at this stall.
        """


class PolicyFactory(Protocol):
    """Builds a policy from the prescription's parameters."""

    def from_parameters(self, parameters: Mapping[str, Any]) -> DropPolicy:
        """Build a configured policy.

        Args:
            parameters: the drop policy's parameters, as prescribed.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """


def number_parameter(
    parameters: Mapping[str, Any], name: str, default: float, *, low: float, high: float, policy: str
) -> float:
    """Read and check one numeric parameter.

    Args:
        parameters: the drop policy's parameters, as prescribed.
        name: the parameter to read.
        default: its value when it is not prescribed, in the parameter's unit like the bounds.
        low: least value allowed.
        high: greatest value allowed.
        policy: name of the policy, for the error.

    Raises:
        BadDocumentError: the value is not a finite number from low to high.
    """
    value = parameters.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise BadDocumentError(
            f"drop policy {policy}",
            [Problem(f"drop.parameters.{name}", shorten(value), f"a number from {low:g} to {high:g}", "range")],
        )
    return float(value)


def parameters_from_text(text: str) -> dict[str, float | int | str | bool]:
    """Parameters as they are written on a command line.

    Args:
        text: ``name=value`` pairs separated by commas; a value that is no number stays text.

    Raises:
        ValueError: a part that is not ``name=value``.
    """
    parameters: dict[str, float | int | str | bool] = {}
    for part in filter(None, text.split(",")):
        key, equals, value = part.partition("=")
        if not equals:
            raise ValueError(f"policy parameter is {part!r}; allowed: name=value")
        try:
            parameters[key.strip()] = float(value) if "." in value or "e" in value else int(value)
        except ValueError:
            parameters[key.strip()] = value.strip()
    return parameters


def reject_unknown(parameters: Mapping[str, Any], known: tuple[str, ...], *, policy: str) -> None:
    """Refuse parameters that the policy does not have.

    Args:
        parameters: the drop policy's parameters, as prescribed.
        known: names of the policy's own parameters.
        policy: name of the policy, for the error.

    Raises:
        BadDocumentError: names each unknown parameter and lists the known ones.
    """
    unknown = [key for key in parameters if key not in known]
    if unknown:
        allowed = "one of " + ", ".join(known) if known else "no parameters"
        raise BadDocumentError(
            f"drop policy {policy}",
            [Problem(f"drop.parameters.{key}", shorten(parameters[key]), allowed, "unknown") for key in unknown],
        )
