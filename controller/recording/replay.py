"""Replay of a recording: the same core, the same inputs, and every output compared to the last bit.

Pure but for `replay_file`, which opens the file. Never here: printing, exit codes (the console's), judgement of what
was decided.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Answer, Output
from ebbset.controller.messages.events import Requested
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.recording.older import (
    in_todays_terms,
    judgement_of,
    made_under_1_0,
    unknown_judgement,
    without_answers,
)
from ebbset.controller.recording.reader import Handled, Recording, as_plain, describe_missing, read_recording
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction

POLICY_FACT: Final = "policy."
"""A recording's metadata name each policy that was installed, after this, with the version of what ships it."""


class Verdict(StrEnum):
    """What a replay shows.

    ``SAME_AS_FAR_AS_RECORDED`` is said of a recording that lacks nothing but its end, ``DAMAGED`` of one that lacks
    something before: no difference was found in what could be compared, and nothing is known about the rest.
    """

    SAME = "same"
    SAME_AS_FAR_AS_RECORDED = "same_as_far_as_recorded"
    DAMAGED = "damaged"
    DIFFERENT = "different"
    NOTHING_TO_REPLAY = "nothing_to_replay"
    POLICY_MISSING = "policy_missing"


@dataclass(frozen=True, slots=True)
class Difference:
    """The first difference between a replay and its recording.

    ``index`` is the input, ``position`` the output among those of that input, ``field`` a dotted path in it.
    ``expected`` is the recording's, ``got`` the replay's; None where there is no such output.
    """

    index: int
    input_kind: str
    position: int
    kind: str
    field: str
    expected: Any
    got: Any

    def __str__(self) -> str:
        """The sentence people read."""
        return (
            f"input {self.index} ({self.input_kind}), output {self.position} ({self.kind}): "
            f"{self.field} was {self.expected!r} in the recording and is {self.got!r} in the replay"
        )


@dataclass(frozen=True, slots=True)
class ReplayReport:
    """Result of a replay. ``notes`` say what is missing: from the recording, or for replaying it.

    ``inputs`` were run, of ``recorded`` that can be read.
    """

    verdict: Verdict
    inputs: int
    outputs: int
    difference: Difference | None
    notes: tuple[str, ...]
    metadata: dict[str, str]
    recorded: int

    @property
    def reproduced(self) -> bool:
        """Every output was the same, up to the end of what was recorded, and there was at least one input."""
        return self.verdict in (Verdict.SAME, Verdict.SAME_AS_FAR_AS_RECORDED)


def replay_file(path: Path, policies: Mapping[str, PolicyFactory]) -> ReplayReport:
    """Read and re-run a recording.

    Args:
        path: the recording.
        policies: the drop policies installed here, by name.

    Raises:
        BadRecordingError: the file is not a recording.
        UnusableFileError: the file cannot be read.
    """
    return replay(read_recording(path), policies)


def replay(recording: Recording, policies: Mapping[str, PolicyFactory]) -> ReplayReport:
    """Re-run a recording, as far as its inputs follow each other without a gap.

    What a recording of an earlier version does not hold is not compared; see `older` for what else it means.

    An input whose outputs damage took from the recording is run, since later ones rest on it, but not compared.
    Policies that came later are left out of it, since a refusal names those that there are. Where the policy of an
    armed set is not among those given, nothing is run: every difference would be about that.

    Args:
        recording: what was read from the file.
        policies: the drop policies installed here, by name.
    """
    there = {name.removeprefix(POLICY_FACT) for name in recording.metadata if name.startswith(POLICY_FACT)}
    used = {name: factory for name, factory in policies.items() if not there or name in there}
    missing = _missing_policies(recording, used)
    if missing:
        notes = (*missing, *describe_missing(recording))
        return ReplayReport(Verdict.POLICY_MISSING, 0, 0, None, notes, recording.metadata, len(recording.handled))
    controller = SetController(used, judgement_of(recording.metadata))
    inputs = outputs = 0
    difference: Difference | None = None
    older = made_under_1_0(recording.metadata)
    for item in in_todays_terms(recording.handled) if older else recording.handled:
        if item.index != inputs:
            break
        got = controller.handle(item.event)
        if older:
            got = without_answers(got)
        inputs += 1
        outputs += len(item.outputs)
        difference = _first_difference(item, got)
        if difference is not None:
            break
    if difference is not None:
        verdict = Verdict.DIFFERENT
    elif inputs == 0:
        verdict = Verdict.NOTHING_TO_REPLAY
    elif recording.whole and inputs == len(recording.handled):
        verdict = Verdict.SAME
    elif recording.only_cut and inputs == len(recording.handled):
        verdict = Verdict.SAME_AS_FAR_AS_RECORDED
    else:
        verdict = Verdict.DAMAGED
    notes = (*unknown_judgement(recording.metadata), *describe_missing(recording))
    return ReplayReport(verdict, inputs, outputs, difference, notes, recording.metadata, len(recording.handled))


def _missing_policies(recording: Recording, policies: Mapping[str, PolicyFactory]) -> tuple[str, ...]:
    """A sentence for each drop policy that an armed set needs and that is not here."""
    found: dict[str, None] = {}
    for item in recording.handled:
        event = item.event
        if not isinstance(event, Requested) or event.action is not RequestAction.ARM or event.prescription is None:
            continue
        refused = any(isinstance(output, Answer) and not output.accepted for output in item.outputs)
        name = event.prescription.drop.policy
        if not refused and name not in policies:
            origin = recording.metadata.get(POLICY_FACT + name)
            of = "" if origin is None else f", which came with {origin},"
            allowed = ", ".join(sorted(policies)) or "none"
            found[f"the drop policy {name!r}{of} is not installed here; installed: {allowed}"] = None
    return tuple(found)


def _first_difference(item: Handled, got: tuple[Output, ...]) -> Difference | None:
    def differ(position: int, kind: str, field: str, expected: Any, replayed: Any) -> Difference:
        return Difference(item.index, codec.KINDS[type(item.event)], position, kind, field, expected, replayed)

    if item.expected_outputs != len(got):
        position = min(len(item.outputs), len(got))
        kind = codec.KINDS[type(got[position])] if position < len(got) else "none"
        return differ(position, kind, "number of outputs", item.expected_outputs, len(got))
    if not item.whole:
        return None
    for position, (expected, replayed) in enumerate(zip(item.outputs, got, strict=True)):
        kind, other = codec.KINDS[type(expected)], codec.KINDS[type(replayed)]
        if kind != other:
            return differ(position, kind, "kind", kind, other)
        # Compared as JSON, in which equal means equal to the last bit and NaN equals NaN.
        if codec.to_json(expected) != codec.to_json(codec.from_json(other, codec.to_json(replayed))):
            was, now = as_plain(expected), as_plain(replayed)
            # What the version that recorded did not know cannot differ from what it knew.
            for name in item.lacking[position]:
                del was[name], now[name]
            if repr(was) != repr(now):
                return differ(position, kind, *_where(was, now, ""))
    return None


def _where(expected: Any, got: Any, path: str) -> tuple[str, Any, Any]:
    """Dotted path of the first difference between two JSON values, and both sides of it."""
    if isinstance(expected, dict) and isinstance(got, dict):
        for key in expected:
            if repr(expected[key]) != repr(got.get(key)):
                return _where(expected[key], got.get(key), f"{path}.{key}" if path else key)
    if isinstance(expected, list) and isinstance(got, list) and len(expected) == len(got):
        for k, (left, right) in enumerate(zip(expected, got, strict=True)):
            if repr(left) != repr(right):
                return _where(left, right, f"{path}[{k}]")
    return path or "value", expected, got
