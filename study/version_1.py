"""Allocation, hash and defaults of study files of version 1, which a study that began with one keeps to its end.

Allocation and hash cover everything in the file, so nothing can be added to such a study; new studies use version 2.
Drawn with ``Generator.permutation``, as they always were.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ebbset.models.contract.prescription import Prescription
from ebbset.study.design import StudyFile
from ebbset.study.randomisation import Order, williams_square

_FIELDS: Final = (
    "version", "name", "seed", "design", "blocks", "start", "washout_days", "reference_one_rm_n", "blinding",
    "conditions", "participants",
)  # fmt: skip


def canonical(file: StudyFile) -> str:
    """The file as JSON with the members that version 1 had, for its hash.

    Args:
        file: a study file of version 1.
    """
    included: dict[str, bool | set[str]] = dict.fromkeys(_FIELDS, True)
    included["blinding"] = {"condition", "hide"}
    return file.model_dump_json(include=included)


def as_then(prescription: Prescription) -> Prescription:
    """A prescription with what it meant while version 1 was current: without a stall rule it went by "evidence".

    Args:
        prescription: of a condition.
    """
    stall = prescription.stall
    if "rule" in stall.model_fields_set:
        return prescription
    return prescription.model_copy(update={"stall": stall.model_copy(update={"rule": "evidence"})})


def orders(file: StudyFile) -> tuple[Order, ...]:
    """One order per participant.

    Args:
        file: a study file of version 1.
    """
    rng = np.random.default_rng(file.seed)
    people, conditions = len(file.participants), len(file.conditions)
    if file.design == "crossover":
        return _crossover(people, conditions, file.blocks, rng)
    return _parallel(people, conditions, file.blocks, rng)


def _crossover(participants: int, conditions: int, blocks: int, rng: np.random.Generator) -> tuple[Order, ...]:
    square = williams_square(conditions)
    found: list[list[int]] = [[] for _ in range(participants)]
    for _ in range(blocks):
        labels = rng.permutation(conditions)
        deal: list[int] = []
        while len(deal) < participants:
            deal += rng.permutation(len(square)).tolist()
        for order, row in zip(found, deal, strict=False):
            order += [int(labels[value]) for value in square[row]]
    return tuple(tuple(order) for order in found)


def _parallel(participants: int, conditions: int, sessions: int, rng: np.random.Generator) -> tuple[Order, ...]:
    deal: list[int] = []
    while len(deal) < participants:
        left = participants - len(deal)
        each = int(rng.integers(1, 3)) if left >= 2 * conditions else 1
        deal += rng.permutation(np.repeat(np.arange(conditions), each)).tolist()
    return tuple((int(value),) * sessions for value in deal[:participants])
