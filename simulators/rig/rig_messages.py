"""A simulated rig's messages: what the firmware and the sensors say, in the shape of the wire contract.

Pure: dictionaries ready for JSON, built by hand rather than from the wire models, as an integrator's rig would, so
that the models check them instead of making them. Faults of telemetry are put in here by `defects.distort`.
"""

from __future__ import annotations

import json
from typing import Any

from ebbset.simulators.rig.defects import Defect, FrameContent, distort
from ebbset.simulators.rig.firmware import Notice, Reply
from ebbset.simulators.rig.rig_segmenter import Segment
from ebbset.simulators.rig.sensors import Reading
from ebbset.simulators.rig.simulated_rig import SimulatedRig

Content = dict[str, Any]


def identity(rig: SimulatedRig, *, name: str, telemetry: str, online: bool) -> Content:
    """Who the rig is and what it can do.

    Args:
        rig: the rig.
        name: of the rig.
        telemetry: frames or repetitions.
        online: connected.
    """
    own, sensors = rig.firmware.settings, rig.sensors.parameters
    faster = 2.0 if rig.firmware.defect is Defect.SLOWER_THAN_ANNOUNCED else 1.0
    return {
        "version": 1,
        "rig": name,
        "boot_id": rig.firmware.boot_id,
        "online": online,
        "cables": own.cables,
        "telemetry": telemetry,
        "sample_rate_hz": sensors.sample_rate_hz * faster,
        "has_force": sensors.has_force,
        "max_load_n": own.max_load_n,
        "min_load_n": own.min_load_n,
        "max_ramp_n_per_s": own.max_ramp_n_per_s,
        "max_lease_ms": own.max_lease_ms,
        "firmware": "ebbset virtual rig",
        "simulated": True,
    }


def frame(rig: SimulatedRig, seq: int, reading: Reading) -> Content:
    """One sample frame.

    Args:
        rig: the rig.
        seq: number of the message.
        reading: what the sensors showed.
    """
    firmware = rig.firmware
    forces = tuple([column for column in reading.force_n if column is not None])
    sent = distort(
        firmware.defect,
        FrameContent(
            seq=seq,
            t_us=reading.t_us,
            applied_n=rig.applied_n,
            position_m=reading.position_m,
            velocity_m_s=reading.velocity_m_s,
            force_n=forces,
        ),
        target_n=firmware.target_n,
    )
    cables = [
        {"position_m": _rounded(sent.position_m[k]), "velocity_m_s": _rounded(sent.velocity_m_s[k])}
        | ({"force_n": _rounded(sent.force_n[k])} if sent.force_n else {})
        for k in range(len(sent.position_m))
    ]
    content: Content = {
        "version": 1,
        "boot_id": firmware.boot_id,
        "seq": sent.seq,
        "nonce": firmware.nonce,
        "docked": rig.docked or firmware.defect is Defect.DOCKED_STUCK,
        "applied_n": _rounded(sent.applied_n),
        "t_us": sent.t_us,
        "cables": cables,
    }
    return content | ({"mood": "fine"} if firmware.defect is Defect.UNKNOWN_FIELD else {})


def repetition(rig: SimulatedRig, seq: int, segment: Segment) -> Content:
    """One repetition that the rig segmented itself.

    Args:
        rig: the rig.
        seq: number of the message.
        segment: the concentric.
    """
    cables = [
        {
            "rom_m": round(segment.rom_m[k], 6),
            "mean_velocity_m_s": round(segment.mean_velocity_m_s[k], 6),
            "peak_velocity_m_s": round(segment.peak_velocity_m_s[k], 6),
            "mean_force_n": segment.mean_force_n[k],
        }
        for k in range(len(segment.rom_m))
    ]
    return {
        "version": 1,
        "boot_id": rig.firmware.boot_id,
        "seq": seq,
        "nonce": rig.firmware.nonce,
        "docked": rig.docked,
        "applied_n": _rounded(rig.applied_n),
        "t_start_us": segment.t_start_us,
        "t_end_us": segment.t_end_us,
        "outcome": segment.outcome.value,
        "cables": cables,
    }


def event(rig: SimulatedRig, seq: int, notice: Notice) -> Content:
    """Something that happened at the rig.

    Args:
        rig: the rig.
        seq: number of the message.
        notice: what happened.
    """
    return {
        "version": 1,
        "boot_id": rig.firmware.boot_id,
        "seq": seq,
        "t_us": notice.t_us,
        "kind": notice.kind.value,
        "detail": notice.detail,
    }


def acknowledgement(rig: SimulatedRig, reply: Reply) -> Content:
    """The answer to one command.

    Args:
        rig: the rig.
        reply: the firmware's answer.
    """
    return {
        "version": 1,
        "boot_id": rig.firmware.boot_id,
        "nonce": reply.nonce,
        "command_seq": reply.command_seq,
        "t_us": reply.t_us,
        "accepted": reply.accepted,
        "refusal": None if reply.refusal is None else reply.refusal.value,
        "applied_n": _rounded(reply.applied_n),
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


def _rounded(values: tuple[float, ...]) -> list[float]:
    return [round(value, 6) for value in values]
