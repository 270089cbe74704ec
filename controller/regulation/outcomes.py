"""Outcomes of the steps of a bout, as frozen values. The regulator acts on them; a step never ends a set itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.controller.messages.reasons import Reason

Numbers = tuple[tuple[str, float | None], ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule that holds: the numbers it used, the thresholds it compared them with, and the cable it concerns."""

    reason: Reason
    inputs: Numbers = ()
    thresholds: Numbers = ()
    cable: int | None = None


@dataclass(frozen=True, slots=True)
class Continue:
    """The bout goes on."""


@dataclass(frozen=True, slots=True)
class BoutDone:
    """The bout is done: a rest follows, or the set is over."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class End:
    """The set ends; ``detail`` is added to the reason's sentence."""

    finding: Finding
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Hold:
    """The load stays although the lifter stalled."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class MayDrop:
    """No rule prevents a drop."""

    finding: Finding


Outcome = Continue | BoutDone | End
StallRuling = BoutDone | End | Hold | MayDrop

CONTINUE: Final = Continue()
