"""What a recording made under an earlier version of the contract means today, so that it can be replayed.

A recording says under which version it was made; one that says nothing was made under 1.0. Two rules of 1.1 reach into
the core: a start names the arming that it starts, and an arming is answered when the rig has acknowledged it. Under 1.0
a start meant whatever was armed, and the answer came at once; its answers are therefore left out of the comparison.
So is the lowest velocity of a repetition, which went on beyond the end of the concentric then.
A recording also says by which version of the figures its estimates were judged; one that says nothing was by the first.
Never here: re-running and comparing (`replay`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Final

from ebbset.controller.estimation.judgement import FIRST_VERSION, Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT, JUDGEMENTS
from ebbset.controller.messages.actions import Answer, Output, RepetitionRecord
from ebbset.controller.messages.events import Requested
from ebbset.controller.recording.reader import Handled
from ebbset.controller.recording.writer import JUDGEMENT_FACT
from ebbset.models.contract.operator_messages import RequestAction

CONTRACT_FACT: Final = "contract"
"""A recording's metadata name under this the version of the contract that its controller spoke."""

_OF_REPETITIONS: Final = frozenset({"min_velocity_m_s"})
"""What a repetition's record meant otherwise under 1.0."""


def judgement_of(metadata: Mapping[str, str]) -> Judgement:
    """The figures by which a recording's estimates were judged; today's, where this version does not have them.

    Args:
        metadata: of the recording.
    """
    return JUDGEMENTS.get(metadata.get(JUDGEMENT_FACT, FIRST_VERSION), CURRENT)


def unknown_judgement(metadata: Mapping[str, str]) -> tuple[str, ...]:
    """A sentence where a recording's estimates were judged by figures that this version does not have.

    Args:
        metadata: of the recording.
    """
    version = metadata.get(JUDGEMENT_FACT, FIRST_VERSION)
    if version in JUDGEMENTS:
        return ()
    known = ", ".join(JUDGEMENTS)
    return (f"judgement is {version!r}; there are figures for {known} here, so intervals and budgets may differ",)


def made_under_1_0(metadata: Mapping[str, str]) -> bool:
    """The recording is older than version 1.1 of the contract.

    Args:
        metadata: of the recording.
    """
    return CONTRACT_FACT not in metadata


def in_todays_terms(handled: Iterable[Handled]) -> Iterator[Handled]:
    """Inputs of a recording made under 1.0, as they are handled today, with the outputs that can be compared.

    Args:
        handled: the recorded inputs with their outputs, in order.
    """
    nonce: str | None = None
    for item in handled:
        event = item.event
        if isinstance(event, Requested):
            if event.action is RequestAction.ARM:
                nonce = event.fresh_nonce
            elif event.action is RequestAction.START:
                event = replace(event, arming=nonce)
        kept = [k for k, output in enumerate(item.outputs) if not isinstance(output, Answer)]
        yield replace(
            item,
            event=event,
            outputs=tuple(item.outputs[k] for k in kept),
            lacking=tuple(
                item.lacking[k] | _OF_REPETITIONS if isinstance(item.outputs[k], RepetitionRecord) else item.lacking[k]
                for k in kept
            ),
            expected_outputs=item.expected_outputs - len(item.outputs) + len(kept),
        )


def without_answers(outputs: Iterable[Output]) -> tuple[Output, ...]:
    """Outputs of today that an input recorded under 1.0 can be compared with."""
    return tuple(output for output in outputs if not isinstance(output, Answer))
