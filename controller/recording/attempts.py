"""Which load a repetition was tried at, and which repetition a decision answers.

The controller reports a repetition when it is over, at the load it ended with. One that stalled and was helped by a
drop is shown to people at the load where it stalled. Nothing is estimated here. Pure.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Final

from ebbset.controller.messages.actions import Decision, Output, RepetitionRecord
from ebbset.models.contract.rig_messages import RepetitionOutcome

_FAILURES: Final = frozenset({RepetitionOutcome.FAILED, RepetitionOutcome.NOT_STARTED})


@dataclasses.dataclass(frozen=True, slots=True)
class Attempts:
    """The repetitions of a set as they were tried.

    Attributes:
        records: one per record of the controller, in order; ``load_n`` and ``step`` are those when the attempt began.
        answered: number of a decision -> cable and index of the repetition that it answers. A decision that answers no
            repetition, or one that has no record because the set ended in it, is not here.
    """

    records: tuple[RepetitionRecord, ...]
    answered: dict[int, tuple[int, int]]


def attempts_of(outputs: Iterable[Output]) -> Attempts:
    """Arrange the repetitions and decisions of one set.

    Args:
        outputs: every output of the core during the set, in order.
    """
    records: list[RepetitionRecord] = []
    answered: dict[int, tuple[int, int]] = {}
    waiting: list[Decision] = []
    for output in outputs:
        if isinstance(output, RepetitionRecord):
            within = [d for d in waiting if d.t_rig_us is not None and d.t_rig_us > output.t_start_us]
            for decision in within:
                if decision.cable == output.cable:
                    answered[decision.seq] = (output.cable, output.index)
            records.append(_as_tried(output, within))
        elif isinstance(output, Decision):
            if output.action == "load":
                waiting = []
            elif output.cable is not None:
                before = _last(records, output.cable)
                if before is not None and _is_about(output, before):
                    answered[output.seq] = (before.cable, before.index)
            if output.action == "drop":
                waiting.append(output)
    return Attempts(tuple(records), answered)


def _as_tried(record: RepetitionRecord, within: Sequence[Decision]) -> RepetitionRecord:
    """The record at the load and step of its beginning."""
    changed = [d for d in within if _changes(d, record.cable)]
    if not changed:
        return record
    load_n = changed[0].from_n[record.cable]
    return dataclasses.replace(record, load_n=load_n, step=max(record.step - len(changed), 0))


def _changes(decision: Decision, cable: int) -> bool:
    return cable < len(decision.from_n) and decision.from_n[cable] != decision.to_n[cable]


def _last(records: Sequence[RepetitionRecord], cable: int) -> RepetitionRecord | None:
    return next((record for record in reversed(records) if record.cable == cable), None)


def _is_about(decision: Decision, before: RepetitionRecord) -> bool:
    """A stall is about a repetition that failed; anything else about one cable is about what it did last."""
    is_stall = any(name == "stalled_s" for name, _ in decision.inputs)
    return before.outcome in _FAILURES if is_stall else True
