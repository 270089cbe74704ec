"""Figures of the stall rule "habits" that were fitted without one family, so that it is judged by strangers' figures.

What lives here: reading them. What never does: fitting (`campaigns.fits.fit_stall_classifier` writes them).
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from typing import Any

from ebbset.controller.detection.evidence.habit_figures import HabitFigures
from ebbset.controller.detection.evidence.stall_classifier_figures import Node


class FiguresMissingError(LookupError):
    """No figures were fitted without this family; says where they belong and what writes them."""


def left_out_name(family: str) -> str:
    """Name of the file with the figures fitted without a family.

    Args:
        family: its name.
    """
    return f"stalls_without_{family}.json"


@cache
def figures_without(family: str) -> HabitFigures:
    """Figures fitted without an installed family.

    Args:
        family: its name.

    Raises:
        FiguresMissingError: there are none. Those shipped were fitted on every family, so they are no substitute.
    """
    name = left_out_name(family)
    file = resources.files("ebbset.simulators.evaluation").joinpath("data", name)
    if not file.is_file():
        raise FiguresMissingError(
            f"data/{name} is missing; allowed: a file that python -m campaigns.fits.fit_stall_classifier wrote"
        )
    return figures_from(json.loads(file.read_text(encoding="utf-8")))


def figures_from(document: dict[str, Any]) -> HabitFigures:
    """Figures from a document of plain numbers.

    Args:
        document: as the fit writes it.
    """
    return HabitFigures.of(
        document["baseline"],
        [_node(tree) for tree in document["trees"]],
        [(float(score), float(share)) for score, share in document["knots"]],
        [(float(low), float(high)) for low, high in document["ranges"]],
        document["patience"],
    )


def _node(node: Any) -> Node:
    if isinstance(node, list):
        return int(node[0]), float(node[1]), _node(node[2]), _node(node[3])
    return float(node)
