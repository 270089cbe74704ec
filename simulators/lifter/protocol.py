"""What a simulated lifter of any structure does for a rig: the protocol, and a base that fills in the usual parts.

A lifter is told, some hundreds of times a second, where the handles are, how fast they move and how hard the cables
pull, and answers with the pull of the hands. Everything else (muscles, joints, tables, habits) is the lifter's own. The
rig asks for three more things: what the lifter is doing, how much of the fresh strength is left, and an exact copy, so
that the future can be tried out without spending it.

Positions grow as cable is paid out from the dock (0), a positive velocity is concentric, and forces are in newtons per
cable. `docs/lifters.md` builds one in 60 lines; :mod:`ebbset.simulators.population.lifter_checker` runs any lifter
through what is promised here.
"""

from __future__ import annotations

import copy
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Final, Protocol, Self, runtime_checkable

import numpy as np

from ebbset.simulators.lifter.layout import Phase

ENTRY_POINT_GROUP: Final = "ebbset.lifters"
IDLE: Final = frozenset({Phase.REST, Phase.RELEASED})
"""Nobody holds the handle: the lifter is not asked for a pull."""
THROUGH: Final = frozenset({Phase.TOP, Phase.TALKING})
"""An ascent that leads to one of these came through; one that leads anywhere else was given up."""


@runtime_checkable
class Lifter(Protocol):
    """One person on one exercise, at one rig.

    A set goes like this: `begin`, then `step` until the phase is REST (handle put down) or RELEASED (let go); `rest`
    for the time that passes in between. An ascent is CONCENTRIC and ends in TOP (or TALKING) if it came through, in
    FAILED or RELEASED if not. The load may change, rise in the dock or vanish at any moment; the lifter finds out from
    the pull of the cables.

    Attributes:
        exercise: its name; any, the controller need not know it.
        bottom_m: cable paid out at the bottom of the movement, m, above 0.
        rom_m: the whole range of motion, m.
        moving_mass_kg: mass of the limbs that move with the handles, all together, kg; the rig adds it to the handle
            while it is held.
        rng: the only source of randomness; the rig replaces it at the start of a run, so that a seed gives a set.
        phase: what the lifter is doing, any of `Phase` but EXTERNAL.
    """

    exercise: str
    bottom_m: float
    rom_m: float
    moving_mass_kg: float
    rng: np.random.Generator
    phase: Phase

    def begin(self, cables: int) -> None:
        """Take the handle out of the dock; the phase is PICKING_UP from here on.

        Args:
            cables: 1 or 2; the left one is first.
        """
        ...

    def step(
        self, dt_s: float, position_m: Sequence[float], velocity_m_s: Sequence[float], tension_n: Sequence[float]
    ) -> Sequence[float]:
        """Live through the coming ``dt_s`` seconds.

        Args:
            dt_s: length of the step, about 0.003 s.
            position_m: of each handle.
            velocity_m_s: of each handle.
            tension_n: pull of each cable at its handle; 0 when slack.

        Returns:
            Pull of each hand, N, as many as there are cables; positive pays cable out. It moves handle and limbs
            against the tension.
        """
        ...

    def rest(self, duration_s: float) -> None:
        """Recover with the handle in the dock.

        Args:
            duration_s: for so long; called often, for a few milliseconds or for minutes.
        """
        ...

    def capacity(self) -> float:
        """The truth: greatest force possible now at standstill, as a share of the fresh one, 0 to 1."""
        ...

    def at_full_effort(self) -> Self:
        """A rested copy as in a strength test: one attempt with all effort, no pauses, no fluctuations."""
        ...

    def copy(self) -> Self:
        """An exact and independent copy, random numbers included: told the same, it does the same."""
        ...


LifterFactory = Callable[[str | None, np.random.Generator], Lifter]
"""Makes one person: ``factory(exercise, rng)``; the exercise is None when it is left to the family."""


class LifterBase(ABC):
    """The usual parts of a lifter; what is left to write is `begin`, `step`, `rest` and `capacity`.

    Args:
        exercise: name.
        bottom_m: cable paid out at the bottom, m.
        rom_m: range of motion, m.
        moving_mass_kg: of the limbs, kg.
        rng: source of every random number.
    """

    def __init__(
        self, exercise: str, *, bottom_m: float, rom_m: float, moving_mass_kg: float, rng: np.random.Generator
    ) -> None:
        self.exercise = exercise
        self.bottom_m = bottom_m
        self.rom_m = rom_m
        self.moving_mass_kg = moving_mass_kg
        self.rng = rng
        self.phase = Phase.REST

    @abstractmethod
    def begin(self, cables: int) -> None:
        """Take the handle out of the dock; see `Lifter.begin`."""

    @abstractmethod
    def step(
        self, dt_s: float, position_m: Sequence[float], velocity_m_s: Sequence[float], tension_n: Sequence[float]
    ) -> Sequence[float]:
        """Live through the coming step.

        Args:
            dt_s: its length.
            position_m: of each handle.
            velocity_m_s: of each handle.
            tension_n: pull of each cable at its handle.

        Returns:
            Pull of each hand, N.
        """

    @abstractmethod
    def rest(self, duration_s: float) -> None:
        """Recover with the handle in the dock; see `Lifter.rest`."""

    @abstractmethod
    def capacity(self) -> float:
        """Greatest force possible now over the fresh one; see `Lifter.capacity`."""

    def copy(self) -> Self:
        """An exact and independent copy, random numbers included."""
        return copy.deepcopy(self)

    def at_full_effort(self) -> Self:
        """A copy for a strength test; override it if the lifter fluctuates, pauses or holds back."""
        return self.copy()
