"""The page of the public names, `docs/api.md`: made from the names themselves, so that it cannot differ from them."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator
from enum import Enum
from types import UnionType
from typing import Any, Final, get_args

from pydantic import BaseModel

import ebbset

GROUPS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "Prescriptions and profiles": (
        "What is to be done, and with whom. [prescription.md](prescription.md) lists every field.",
        ("Prescription", "LifterProfile", "BadDocumentError"),
    ),
    "The set controller": (
        "Events in, outputs out; it reads no clock and opens nothing.",
        ("SetController", "load_policies", "Event", "Output", "Command", "State", "Reason"),
    ),
    "Events": (
        "What can happen to a set. `now_us` is the controller's monotonic clock, `t_us` the rig's; the two are never "
        "subtracted.",
        (
            "LinkUp",
            "LinkDown",
            "RigAnnounced",
            "RigLost",
            "Samples",
            "RepetitionSeen",
            "RigReported",
            "RigEventKind",
            "RepetitionOutcome",
            "Acknowledged",
            "Refusal",
            "Requested",
            "RequestAction",
            "Tick",
            "BadInput",
        ),
    ),
    "Outputs": (
        "Commands for the rig, answers, and records of what was seen and decided.",
        (
            "SendArm",
            "SendLoad",
            "SendUnload",
            "SendRelease",
            "Answer",
            "AnswerCode",
            "Decision",
            "RepetitionRecord",
            "StateChanged",
            "SetResult",
        ),
    ),
    "Embedding": (
        "A controller in a program that has the drive in hand. `examples/embedded_loop.py`, `embedded_asyncio.py` and "
        "`embedded_thread.py` take 40 lines each or fewer.",
        ("EmbeddedController", "EmbeddedRig", "LoadDriver"),
    ),
    "A rig's side": (
        "Four functions make a rig; see [rig-side.md](rig-side.md).",
        (
            "RigHardware",
            "SensorReading",
            "RigDescription",
            "RigLimits",
            "serve_rig",
            "RigFaultError",
            "BrokerSettings",
        ),
    ),
    "Recordings": (
        "Read what was recorded, and run it again to the same bits.",
        (
            "read_recording",
            "Recording",
            "Handled",
            "BadRecordingError",
            "replay",
            "ReplayReport",
            "Verdict",
            "Difference",
        ),
    ),
    "Drop policies": (
        "[policies.md](policies.md) writes one in ten minutes.",
        (
            "DropPolicy",
            "DropView",
            "Proposal",
            "PolicyFactory",
            "number_parameter",
            "reject_unknown",
            "check_policy",
            "PolicyFinding",
        ),
    ),
    "Simulated sets": (
        "Needs `pip install 'ebbset[sim]'`. What comes out is simulated.",
        (
            "run_set",
            "SimulatedSet",
            "LoopSettings",
            "SetNotRunError",
            "exercise",
            "Exercise",
            "one_rm_n",
            "RigParameters",
        ),
    ),
    "Lifters": (
        "Needs `pip install 'ebbset[sim]'`. [lifters.md](lifters.md) builds one.",
        (
            "Lifter",
            "LifterBase",
            "LifterFactory",
            "Phase",
            "MuscleLifter",
            "Habits",
            "draw_habits",
            "lift_once",
            "check_lifter",
            "LifterFinding",
        ),
    ),
}
_PLAIN: Final = (bool, int, float, str, type(None))


def api_page() -> str:
    """The whole page, Markdown."""
    lines = [
        "# The public names of ebbset",
        "",
        "`import ebbset` gives these names and promises them: one changes only with an entry in the changelog, and",
        "goes only after a release in which using it warns. Every other name is private, whatever module it is in. A",
        "name is loaded when it is first asked for. `make docs` makes this page from the code.",
    ]
    for title, (words, names) in GROUPS.items():
        lines += ["", f"## {title}", "", words]
        for name in names:
            lines += ["", f"### `{name}`", ""]
            value = getattr(ebbset, name)
            if first := _summary(value):
                lines += [first, ""]
            lines += ["```text", *signatures(name), "```"]
    return "\n".join(lines) + "\n"


def home_of(name: str) -> str:
    """Where a public name is defined, as a dotted path; where that is may change."""
    return f"{ebbset._MODULES[name]}.{name}"  # noqa: SLF001 - of the same package


def snapshot() -> str:
    """Everything that is promised, one name or member a line, in order of name. A test holds it against a kept copy."""
    return "\n".join(line for name in sorted(dir(ebbset)) for line in signatures(name)) + "\n"


def signatures(name: str) -> list[str]:
    """A public name with everything that its promise covers: parameters, fields, members, methods; one a line."""
    value = getattr(ebbset, name)
    if not isinstance(value, type):
        if inspect.isfunction(inspect.unwrap(value)):
            return [f"{name}{_signature(inspect.unwrap(value))}"]
        if isinstance(value, UnionType):
            return [f"{name} = " + " | ".join(one.__name__ for one in get_args(value))]
        return [f"{name} = " + re.sub(r"(?:\w+\.)+(\w+)", r"\1", repr(value))]
    if issubclass(value, Enum):
        return [f"{name}", *(f"    {member.name} = {member.value!r}" for member in value)]
    return [f"{name}{_constructor(value)}", *(f"    {line}" for line in _members(value))]


def _constructor(cls: type) -> str:
    if issubclass(cls, BaseModel) or getattr(cls, "_is_protocol", False) or "__init__" not in vars(cls):
        return ""
    return "" if dataclasses.is_dataclass(cls) else str(_signature(vars(cls)["__init__"], method=True))


def _members(cls: type) -> Iterator[str]:
    """Fields in their order, then properties and methods that the class or a base in this package has."""
    if issubclass(cls, BaseModel):
        for name, field in cls.model_fields.items():
            given = "" if field.is_required() else f" = {_default(field.get_default(call_default_factory=True))}"
            yield f"{name}{given}"
    elif dataclasses.is_dataclass(cls):
        for one in dataclasses.fields(cls):
            made = one.default_factory is not dataclasses.MISSING
            given = "" if one.default is dataclasses.MISSING else f" = {_default(one.default)}"
            yield f"{one.name}: {one.type}{' = ...' if made else given}"
    elif getattr(cls, "_is_protocol", False):
        for name, annotation in vars(cls).get("__annotations__", {}).items():
            yield f"{name}: {annotation}"
    for owner in (base for base in cls.__mro__ if base.__module__.startswith("ebbset.")):
        for name, member in vars(owner).items():
            if not name.startswith("_") and vars(cls).get(name, member) is member:
                yield from _method(name, member)


def _method(name: str, member: Any) -> Iterator[str]:
    if isinstance(member, property) and member.fget is not None:
        yield f"{name} -> {member.fget.__annotations__.get('return')}"
    elif isinstance(member, classmethod):
        yield f"{name}{_signature(member.__func__, method=True)}  # class method"
    elif inspect.isfunction(inspect.unwrap(member)):
        yield f"{name}{_signature(inspect.unwrap(member), method=True)}"


def _signature(function: Any, *, method: bool = False) -> inspect.Signature:
    """The signature without ``self``, its defaults as they can be read."""
    whole = inspect.signature(function)
    kept = list(whole.parameters.values())[1 if method else 0 :]
    shown = [
        one.replace(
            annotation=_bare(one.annotation),
            default=one.default if one.default is one.empty else _AsText(_default(one.default)),
        )
        for one in kept
    ]
    returned = whole.return_annotation
    leave_out = method and returned == "None"
    return whole.replace(parameters=shown, return_annotation=whole.empty if leave_out else _bare(returned))


@dataclasses.dataclass(frozen=True, slots=True)
class _AsText:
    """Stands in a signature for what is to be shown as it is written."""

    text: str

    def __repr__(self) -> str:
        """The text, without quotes."""
        return self.text


def _bare(annotation: Any) -> Any:
    return _AsText(annotation) if isinstance(annotation, str) else annotation


def _default(value: Any) -> str:
    if isinstance(value, Enum):
        return repr(value.value)
    if isinstance(value, _PLAIN) or value == ():
        return repr(value)
    return "..."


def _summary(value: Any) -> str:
    """First paragraph of the docstring, of what has one of its own."""
    if not (isinstance(value, type) or inspect.isfunction(inspect.unwrap(value))) or not value.__doc__:
        return ""
    return " ".join(inspect.cleandoc(value.__doc__).split("\n\n")[0].split())
