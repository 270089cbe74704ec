"""The built-in drop policies. Each is a frozen dataclass of its parameters and one small pure method."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from ebbset.controller.policies.policy import DropView, Proposal, number_parameter, reject_unknown


@dataclass(frozen=True, slots=True)
class FixedFraction:
    """Take off the same fraction of the current load at every stall. Common practice, no source: 20 to 25 %.

    Args:
        fraction: fraction of the current load to take off, 0 to 1.
    """

    fraction: float
    name: ClassVar[str] = "fixed_fraction"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> FixedFraction:
        """Build the policy from a prescription's parameters.

        Args:
            parameters: ``fraction``, 0.02 to 0.8, default 0.2.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """
        reject_unknown(parameters, ("fraction",), policy=cls.name)
        return cls(number_parameter(parameters, "fraction", 0.2, low=0.02, high=0.8, policy=cls.name))

    def initial(self) -> None:
        """The first state: ``None``, since this policy keeps none."""
        return

    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        """Propose the current load less the fixed fraction.

        Args:
            _state: unused; this policy keeps none.
            view: what is known at the stall.

        Returns:
            ``None`` and the proposal.
        """
        return None, Proposal(view.load_n * (1.0 - self.fraction), f"{self.fraction:.0%} off the load")


@dataclass(frozen=True, slots=True)
class FixedStep:
    """Take off the same number of newtons at every stall.

    Args:
        step_n: newtons on this cable to take off.
    """

    step_n: float
    name: ClassVar[str] = "fixed_step"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> FixedStep:
        """Build the policy from a prescription's parameters.

        Args:
            parameters: ``step_n``, 1 to 2000 N, default 50 N.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """
        reject_unknown(parameters, ("step_n",), policy=cls.name)
        return cls(number_parameter(parameters, "step_n", 50.0, low=1.0, high=2_000.0, policy=cls.name))

    def initial(self) -> None:
        """The first state: ``None``, since this policy keeps none."""
        return

    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        """Propose the current load less the fixed step.

        Args:
            _state: unused; this policy keeps none.
            view: what is known at the stall.

        Returns:
            ``None`` and the proposal.
        """
        return None, Proposal(view.load_n - self.step_n, f"{self.step_n:g} N off the load")


@dataclass(frozen=True, slots=True)
class ForceAtStall:
    """Go to a fraction of the force that the lifter still applied when the handle stopped moving.

    The measured force is what the lifter could hold at that point of the ascent; a fraction of it leaves room to move.
    Without a force cell the load at the stall is used instead.

    Args:
        part: fraction of the force at the stall to go to, 0 to 1.
    """

    part: float
    name: ClassVar[str] = "force_at_stall"

    @classmethod
    def from_parameters(cls, parameters: Mapping[str, Any]) -> ForceAtStall:
        """Build the policy from a prescription's parameters.

        Args:
            parameters: ``part`` of the force at the stall to go to, 0.2 to 0.98, default 0.8.

        Raises:
            BadDocumentError: a parameter is unknown or out of range.
        """
        reject_unknown(parameters, ("part",), policy=cls.name)
        return cls(number_parameter(parameters, "part", 0.8, low=0.2, high=0.98, policy=cls.name))

    def initial(self) -> None:
        """The first state: ``None``, since this policy keeps none."""
        return

    def propose(self, _state: None, view: DropView) -> tuple[None, Proposal]:
        """Propose the fixed fraction of the force at the stall.

        Args:
            _state: unused; this policy keeps none.
            view: what is known at the stall.

        Returns:
            ``None`` and the proposal.
        """
        measured = view.stall_force_n is not None
        force_n = view.stall_force_n if view.stall_force_n is not None else view.load_n
        source = "the force measured at the stall" if measured else "the load at the stall (no force cell)"
        return None, Proposal(force_n * self.part, f"{self.part:.0%} of {source}, {force_n:.0f} N")
