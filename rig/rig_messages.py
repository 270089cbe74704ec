"""A rig's messages: what core and sensors say, in the shape of the wire contract.

Pure: dictionaries ready for JSON, built by hand rather than from the wire models, so that the models check them instead
of making them, and so that a rig on another machine can build the same.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from ebbset.rig.description import RigDescription
from ebbset.rig.rig_core import Notice, Reply, RigCore

Content = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameContent:
    """One frame's content before it becomes a message: columns per cable, as in the wire's sample frame.

    ``force_n`` is empty in a frame without force.
    """

    seq: int
    t_us: tuple[int, ...]
    applied_n: tuple[float, ...]
    position_m: tuple[tuple[float, ...], ...]
    velocity_m_s: tuple[tuple[float, ...], ...]
    force_n: tuple[tuple[float, ...], ...]


def identity(core: RigCore, described: RigDescription, *, online: bool) -> Content:
    """Who the rig is and what it can do.

    Args:
        core: of this boot.
        described: the rig.
        online: connected; false in its last will.
    """
    own = described.limits
    return {
        "version": 1,
        "rig": described.rig,
        "boot_id": core.boot_id,
        "online": online,
        "cables": own.cables,
        "telemetry": described.telemetry,
        "sample_rate_hz": described.sample_rate_hz,
        "has_force": described.has_force,
        "max_load_n": own.max_load_n,
        "min_load_n": own.min_load_n,
        "max_ramp_n_per_s": own.max_ramp_n_per_s,
        "max_lease_ms": own.max_lease_ms,
        "firmware": described.firmware,
        "simulated": described.simulated,
    }


def frame(core: RigCore, content: FrameContent, *, docked: bool) -> Content:
    """One sample frame.

    Args:
        core: of this boot.
        content: what the sensors showed.
        docked: what the dock sensor says at the last sample.
    """
    cables = [
        {"position_m": rounded(content.position_m[k]), "velocity_m_s": rounded(content.velocity_m_s[k])}
        | ({"force_n": rounded(content.force_n[k])} if content.force_n else {})
        for k in range(len(content.position_m))
    ]
    return {
        "version": 1,
        "boot_id": core.boot_id,
        "seq": content.seq,
        "nonce": core.nonce,
        "docked": docked,
        "applied_n": rounded(content.applied_n),
        "t_us": content.t_us,
        "cables": cables,
    }


def event(core: RigCore, seq: int, notice: Notice) -> Content:
    """Something that happened at the rig.

    Args:
        core: of this boot.
        seq: number of the message.
        notice: what happened.
    """
    return {
        "version": 1,
        "boot_id": core.boot_id,
        "seq": seq,
        "t_us": notice.t_us,
        "kind": notice.kind.value,
        "detail": notice.detail,
    }


def acknowledgement(core: RigCore, reply: Reply) -> Content:
    """The answer to one command.

    Args:
        core: of this boot.
        reply: its answer.
    """
    return {
        "version": 1,
        "boot_id": core.boot_id,
        "nonce": reply.nonce,
        "command_seq": reply.command_seq,
        "t_us": reply.t_us,
        "accepted": reply.accepted,
        "refusal": None if reply.refusal is None else reply.refusal.value,
        "applied_n": rounded(reply.applied_n),
        "docked": reply.docked,
    }


def addressee(payload: bytes) -> tuple[str, int] | None:
    """Nonce and number of a command that is otherwise unreadable, if those can be read."""
    try:
        content = json.loads(payload)
        nonce, seq = content["nonce"], content["seq"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    known = isinstance(nonce, str) and 8 <= len(nonce) <= 64 and isinstance(seq, int) and not isinstance(seq, bool)
    return (nonce, seq) if known and 0 <= seq <= 2**53 else None


def rounded(values: tuple[float, ...]) -> list[float]:
    """Numbers as they go on the wire: to a millionth of their unit."""
    return [round(value, 6) for value in values]
