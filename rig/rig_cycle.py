"""One sampling period after another: reading in, force and messages out. The whole rig but for clock and network.

Pure: who owns the clock calls `RigCycle.sample` once a period and `RigCycle.receive` for each payload.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Final

from ebbset.models.contract.wire import Topic, decode
from ebbset.rig.description import RigDescription
from ebbset.rig.endpoint import JudgedCommand, RigEndpoint
from ebbset.rig.hardware import SensorReading, check_reading
from ebbset.rig.load_ramp import LoadRamp
from ebbset.rig.rig_core import Notice, RigCore
from ebbset.rig.rig_messages import Content, FrameContent

LATE_PERIODS: Final = 2
"""A sample that comes later than this many periods makes the ramp slower, not steeper (our judgement)."""
FRAMES_PER_S: Final = 20.0
"""Frames a second, where the sample rate allows; the contract asks for ten (our judgement)."""
SLOWEST_HZ: Final = 50.0
"""The lease is looked at once in a sampling period, which the conformance kit asks for at least every 20 ms."""
Message = tuple[Topic, Content]
_Row = tuple[int, SensorReading]


@dataclass(frozen=True, slots=True)
class CycleOutput:
    """What one sampling period leads to.

    Attributes:
        force_n: what the drive is to pull with from now on, N per cable.
        messages: to send, oldest first.
        notices: what happened, as in the messages.
    """

    force_n: tuple[float, ...]
    messages: tuple[Message, ...]
    notices: tuple[Notice, ...]


class RigCycle:
    """One boot of one rig whose drive takes forces.

    Args:
        described: the rig.
        boot_id: drawn anew at each boot.
    """

    def __init__(self, described: RigDescription, *, boot_id: str) -> None:
        self.core = RigCore(described.limits, boot_id=boot_id)
        self.endpoint = RigEndpoint(self.core, described)
        longest_us = round(LATE_PERIODS * 1e6 / described.sample_rate_hz)
        self._ramp = LoadRamp(described.limits.cables, longest_step_us=longest_us)
        self._docked = False
        self._told_n: tuple[float, ...] | None = None
        self._pressed = False
        self._faulty = False
        self._rows: list[_Row] = []
        self._frame_samples = max(round(described.sample_rate_hz / FRAMES_PER_S), 1)

    @property
    def applied_n(self) -> tuple[float, ...]:
        """The load applied now, after the ramp, N per cable: by the drive's own word, else what it was last told."""
        return self._ramp.applied_n if self._told_n is None else self._told_n

    def sample(self, reading: SensorReading, *, docked: bool, t_us: int) -> CycleOutput:
        """One sampling period.

        Args:
            reading: of all sensors.
            docked: what the dock sensor says.
            t_us: rig clock at the reading, above that of the last one.

        Raises:
            SensorError: no rig of this description can have read that.
        """
        core = self.core
        check_reading(reading, self.endpoint.described)
        notices = self._button(reading.stop_pressed, t_us)
        self._docked, self._told_n = docked, reading.applied_n
        notices += core.tick(
            t_us=t_us,
            docked=docked,
            applied_n=self.applied_n,
            position_m=reading.position_m,
            velocity_m_s=reading.velocity_m_s,
        )
        force_n = self._ramp.advance(t_us, core.target_n, core.ramp_n_per_s)
        sent: list[Message] = [(Topic.EVENT, self.endpoint.event(notice)) for notice in notices]
        self._rows.append((t_us, reading))
        if len(self._rows) == self._frame_samples:
            sent.append((Topic.FRAME, self._frame()))
        return CycleOutput(force_n, tuple(sent), notices)

    def receive(self, payload: bytes, *, t_us: int) -> tuple[JudgedCommand, tuple[Message, ...]]:
        """Judge a payload from the command topic; the next sample applies what follows.

        Args:
            payload: as it arrived.
            t_us: rig clock now.

        Returns:
            What became of it, and what to send.
        """
        judged = self.endpoint.receive(payload, t_us=t_us, docked=self._docked, applied_n=self.applied_n)
        if judged.reply is None:
            return judged, ()
        return judged, ((Topic.ACK, self.endpoint.acknowledgement(judged.reply)),)

    def fail(self, detail: str, *, t_us: int) -> tuple[Message, ...]:
        """The rig cannot go on; every command but the safe ones is refused from now on.

        Args:
            detail: what is wrong, for people.
            t_us: rig clock now.

        Returns:
            What to send.
        """
        self._faulty = True
        return tuple((Topic.EVENT, self.endpoint.event(notice)) for notice in self.core.report_fault(t_us, detail))

    def _button(self, pressed: bool, t_us: int) -> tuple[Notice, ...]:
        """Follow the emergency stop: pressing it stops, a person's reset of it ends the stop."""
        before, self._pressed = self._pressed, pressed
        if pressed and not before:
            return self.core.press_emergency_stop(t_us)
        if before and not pressed and not self._faulty:
            self.core.reset_emergency_stop()
        return ()

    def _frame(self) -> Content:
        rows, self._rows = self._rows, []
        cables = range(self.core.limits.cables)
        forces = [reading.force_n for _, reading in rows if reading.force_n is not None]
        content = FrameContent(
            seq=self.endpoint.next_seq(Topic.FRAME),
            t_us=tuple(t_us for t_us, _ in rows),
            applied_n=self.applied_n,
            position_m=tuple(tuple(reading.position_m[k] for _, reading in rows) for k in cables),
            velocity_m_s=tuple(tuple(reading.velocity_m_s[k] for _, reading in rows) for k in cables),
            force_n=tuple(tuple(force[k] for force in forces) for k in cables) if forces else (),
        )
        return self.endpoint.frame(content, docked=self._docked)


def check_description(described: RigDescription) -> None:
    """Refuse a rig that the contract has no place for, or that this software cannot run.

    Args:
        described: the rig.

    Raises:
        ValueError: names the field, its value and what is allowed.
    """
    announced = RigEndpoint(RigCore(described.limits, boot_id="0" * 12), described).identity(online=True)
    decode(Topic.IDENTITY, json.dumps(announced))
    if described.telemetry != "frames":
        raise ValueError(f"telemetry is {described.telemetry!r}; allowed: 'frames', since this core segments nothing")
    if described.sample_rate_hz < SLOWEST_HZ:
        raise ValueError(f"sample_rate_hz is {described.sample_rate_hz:g}; allowed: at least {SLOWEST_HZ:g}")
    for name in ("unload_ramp_n_per_s", "travel_limit_m", "speed_limit_m_s"):
        value: float = getattr(described.limits, name)
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} is {value:g}; allowed: a finite number above 0")
