"""Fuzz targets: functions of bytes that fail by raising, one for everything that parses.

Every target checks that, whatever the input, only the documented error is raised. Further checks are named at each.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, Final

from ebbset.controller.messages.actions import SendArm, SendLoad
from ebbset.controller.recording.reader import BadRecordingError, parse_recording
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import BadMessageError, Topic, decode
from ebbset.rig.description import RigLimits
from ebbset.simulators.rig.firmware import RigFirmware

from .arena import Arena
from .choices import ByteChoices, Choices

STEPS: Final = 60


class BrokenPromiseError(AssertionError):
    """The controller or a rig broke an invariant."""


def wire(data: bytes) -> None:
    """Any bytes on any topic: a message or a `BadMessageError`; a message survives writing and reading."""
    if not data:
        return
    topic = list(Topic)[data[0] % len(Topic)]
    try:
        message = decode(topic, data[1:])
    except BadMessageError:
        return
    if decode(topic, message.model_dump_json()) != message:
        raise BrokenPromiseError(f"{topic}: does not read back what it wrote")


def prescription(data: bytes) -> None:
    """Any text: a prescription or a `BadDocumentError`; a prescription survives writing, and its limits are valid."""
    text = data.decode("utf-8", "replace")
    try:
        order = Prescription.from_toml(text)
    except BadDocumentError:
        return
    if Prescription.from_toml(order.to_toml()) != order:
        raise BrokenPromiseError("a prescription does not read back what it wrote")
    if not 0 < order.load.floor_n <= order.load.start_n <= 5_000:
        raise BrokenPromiseError(f"floor {order.load.floor_n}, start {order.load.start_n}")


def profile(data: bytes) -> None:
    """Any text: a lifter profile or a `BadDocumentError`."""
    try:
        LifterProfile.from_toml(data.decode("utf-8", "replace"))
    except BadDocumentError:
        return


def recording(data: bytes) -> None:
    """Any bytes as a file: a recording or a `BadRecordingError`."""
    try:
        parse_recording(data)
    except BadRecordingError:
        return


def session(data: bytes) -> int:
    """A sequence of messages chosen by bytes, see `throw`; returns how many were sent."""
    choices = ByteChoices(data)
    arena = Arena()
    for _ in range(STEPS):
        if not choices.left:
            break
        throw(arena, choices)
    return arena.messages


def throw(arena: Arena, choices: Choices) -> None:
    """Put one thing into a controller: no invariant is broken and no load rises.

    Args:
        arena: with the controller.
        choices: decides what is put in.

    Raises:
        BrokenPromiseError: an invariant is broken.
    """
    arena.step(choices)
    if arena.broken:
        raise BrokenPromiseError(str(arena.broken[0]))


def command(data: bytes) -> int:
    """Commands of any kind for a rig's firmware: never above the ceiling, never without arming, off after a lease.

    Returns:
        How many it accepted.
    """
    choices = ByteChoices(data)
    firmware = RigFirmware(RigLimits(), boot_id="boot-0001")
    t_us, seq, ceiling_n, accepted = 1_000_000, 0, 0.0, 0
    still: dict[str, Any] = {"applied_n": (0.0,), "position_m": (0.0,), "velocity_m_s": (0.0,)}
    while choices.left:
        seq += choices.below(3)
        nonce = f"nonce-000{choices.below(3)}"
        if choices.below(3) == 0:
            top_n = 20.0 * choices.below(100)
            arm = SendArm(
                nonce=nonce, seq=seq, ceiling_n=(top_n,), floor_n=(40.0,), max_ramp_n_per_s=300.0, lease_ms=600
            )
            if firmware.handle_command(arm, t_us=t_us, docked=True, applied_n=(0.0,)).accepted:
                ceiling_n = top_n
                accepted += 1
        else:
            load = SendLoad(
                nonce=nonce,
                seq=seq,
                target_n=(20.0 * choices.below(100),),
                ramp_n_per_s=10.0 * choices.below(60),
                lease_ms=100 * choices.below(12),
                cites_t_us=t_us - 100_000 * choices.below(10),
            )
            docked = choices.below(2) == 0
            accepted += firmware.handle_command(load, t_us=t_us, docked=docked, applied_n=(0.0,)).accepted
        if max(firmware.target_n) > ceiling_n:
            raise BrokenPromiseError(f"{firmware.target_n} above the armed ceiling {ceiling_n}")
        t_us += 50_000 * choices.below(8)
        firmware.tick(t_us=t_us, docked=True, **still)
    firmware.tick(t_us=t_us + 1_000_000, docked=True, **still)
    if max(firmware.target_n) > 0.0:
        raise BrokenPromiseError("loaded a lease after the last command")
    return accepted


TARGETS: Final[dict[str, Callable[[bytes], object]]] = {
    "wire": wire,
    "prescription": prescription,
    "profile": profile,
    "recording": recording,
    "session": session,
    "command": command,
}


@cache
def seeds(name: str) -> tuple[bytes, ...]:
    """Valid inputs for the fuzzer to start from."""
    import json

    if name == "wire":
        arena = Arena()
        contents: list[tuple[Topic, Any]] = [
            (Topic.IDENTITY, arena.identity()),
            (Topic.FRAME, arena.frame()),
            (Topic.REPETITION, arena.repetition()),
            (Topic.EVENT, arena.event("docked")),
            (Topic.ACK, arena.ack("nonce-0001", 1)),
            (Topic.REQUEST, arena.request("arm") | {"prescription": example().model_dump(mode="json")}),
        ]
        return tuple(bytes([list(Topic).index(topic)]) + json.dumps(body).encode() for topic, body in contents)
    if name == "prescription":
        return (example().to_toml().encode(), example(bouts=({}, {"rest_before_s": 10.0})).to_toml().encode())
    if name == "profile":
        return (_PROFILE.encode(),)
    if name == "recording":
        return (_small_recording(),)
    return (bytes(range(256)) * 4, bytes([15, 15, 0, 0, 15] * 100), b"\x12\x00" * 200)


def _small_recording() -> bytes:
    import io

    from ebbset.controller.messages.events import Event, LinkUp, Tick
    from ebbset.controller.recording.writer import RecordingWriter

    stream = io.BytesIO()
    writer = RecordingWriter(stream, {"rig": "fuzz"})
    events: tuple[Event, ...] = (LinkUp(now_us=0), *(Tick(now_us=k * 20_000) for k in range(5)))
    for event in events:
        writer.add(event, ())
    writer.finish({"handled": "6", "lost": "0"})
    return stream.getvalue()


_PROFILE: Final = """\
lifter = "a"
exercise = "row"
date = 2026-01-01
velocity_at_zero_m_s = { mean = 1.8, sd = 0.1 }
velocity_at_1rm_m_s = { mean = 0.3, sd = 0.05 }
"""
