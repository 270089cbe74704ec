"""A motor drive on a CAN bus, simulated in place of a real one: setpoints in, status out, and a watchdog of its own.

The messages are an invention of this example. Little-endian; a force counts tenths of a newton, a position tenths of a
millimetre, a velocity millimetres a second.

    0x101  to the drive    force (uint16)                                        hold this tension, renewed every 10 ms
    0x102  to the drive    nothing                                               take the force away by your own ramp
    0x201  from the drive  position (int16), velocity (int16), flags (uint8)     every 5 ms
    0x202  from the drive  force cell (int16), force applied (uint16)            every 5 ms
"""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Callable

import can

SETPOINT_ID, STOP_ID, MOTION_ID, FORCE_ID = 0x101, 0x102, 0x201, 0x202
SETPOINT, MOTION, FORCE = struct.Struct("<H"), struct.Struct("<hhB"), struct.Struct("<hH")
DOCKED, STOP_PRESSED, TRIPPED = 1, 2, 4
WATCHDOG_S, STATUS_S, STEP_S, OWN_RAMP_N_PER_S, LAG_S, WIND_IN_M_S = 0.05, 0.005, 0.001, 1_500.0, 0.004, 0.4


class SimulatedDrive:
    """Motor, cable, handle and drive electronics; what a person's hand does to the handle is told by the methods.

    Args:
        bus: where it hears and speaks.
        clock_s: its own clock, s.
    """

    def __init__(self, bus: can.BusABC, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.position_m = self.velocity_m_s = self.applied_n = 0.0
        self.stop_pressed, self.tripped = False, True
        self._bus, self._clock_s = bus, clock_s
        self._now_s = self._heard_s = self._told_s = clock_s()
        self._setpoint_n = 0.0
        self._hand: tuple[float, float] | None = None

    def guide(self, to_m: float, speed_m_s: float) -> None:
        """A hand takes the handle and moves it.

        Args:
            to_m: where to, m of cable paid out.
            speed_m_s: how fast.
        """
        self._hand = (to_m, speed_m_s)

    def let_go(self) -> None:
        """The hand leaves the handle, and the cable winds in."""
        self._hand = None

    def advance(self) -> None:
        """Go on to now: hear what has come, move, and report."""
        while (message := self._bus.recv(timeout=0)) is not None:
            if message.arbitration_id == SETPOINT_ID:
                (tenths,) = SETPOINT.unpack(message.data)
                self._setpoint_n, self._heard_s = tenths / 10, self._clock_s()
                self.tripped = self.tripped and tenths > 0  # after a trip only a setpoint of nothing resets it
            elif message.arbitration_id == STOP_ID:
                self.tripped = True
        while self._now_s + STEP_S <= self._clock_s():
            self._now_s += STEP_S
            self._step()

    def run(self, stop: threading.Event) -> None:
        """Run in a thread of its own, as a real drive runs on a processor of its own."""
        while not stop.wait(STATUS_S):
            self.advance()

    def _step(self) -> None:
        if self._now_s - self._heard_s > WATCHDOG_S:
            self.tripped = True
        if self.tripped or self.stop_pressed:
            self.applied_n = max(self.applied_n - OWN_RAMP_N_PER_S * STEP_S, 0.0)
        else:
            self.applied_n += (self._setpoint_n - self.applied_n) * STEP_S / LAG_S
        to_m, speed_m_s = self._hand or (0.0, WIND_IN_M_S)
        way_m = to_m - self.position_m
        step_m = min(abs(way_m), speed_m_s * STEP_S) * (1 if way_m > 0 else -1)
        self.position_m, self.velocity_m_s = self.position_m + step_m, step_m / STEP_S
        if self._now_s - self._told_s >= STATUS_S:
            self._told_s = self._now_s
            self._report()

    def _report(self) -> None:
        flags = DOCKED * (self.position_m < 0.005) | STOP_PRESSED * self.stop_pressed | TRIPPED * self.tripped
        motion = MOTION.pack(round(self.position_m * 1e4), round(self.velocity_m_s * 1e3), flags)
        force = FORCE.pack(round(self.applied_n * 10), round(self.applied_n * 10))
        for number, data in ((MOTION_ID, motion), (FORCE_ID, force)):
            self._bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))
