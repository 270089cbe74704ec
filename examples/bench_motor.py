"""Takes the place of your motor, sensors and lifter in the examples of embedding: simple mechanics, and a clock.

A ramp, a lease, and a lifter who tires. Its clock goes on by a hundredth of a second with every step, so that a set
takes as long as the program likes.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypedDict

from ebbset import EmbeddedRig

DT_S = 0.01
RIG = EmbeddedRig(
    name="bench",
    sample_rate_hz=1 / DT_S,
    has_force=True,
    max_load_n=800.0,
    min_load_n=20.0,
    max_ramp_n_per_s=1_000.0,
    max_lease_ms=1_000,
    simulated=True,
)


class Sample(TypedDict):
    """What the sensors say at one moment."""

    position_m: tuple[float, ...]
    velocity_m_s: tuple[float, ...]
    force_n: tuple[float, ...] | None
    applied_n: tuple[float, ...]
    docked: bool


class BenchMotor:
    """A motor that obeys, and a lifter at it."""

    def __init__(self) -> None:
        self.now_us = 0
        self.applied_n = self.target_n = self.x_m = self.v_m_s = 0.0
        self.ramp, self.lease_ends_us, self.strength_n, self.up, self.wait_s = 300.0, 0, 470.0, False, 0.3

    def clock_us(self) -> int:
        """Time since the start, microseconds."""
        return self.now_us

    def hold(self, target_n: tuple[float, ...], ramp_n_per_s: float, lease_ms: int) -> None:
        """Go to a load and hold it for one lease.

        Args:
            target_n: newtons, of the one cable.
            ramp_n_per_s: change of load on the way.
            lease_ms: from now.
        """
        self.target_n, self.ramp, self.lease_ends_us = target_n[0], ramp_n_per_s, self.now_us + lease_ms * 1_000

    def unload(self, ramp_n_per_s: float) -> None:
        """Take the load off."""
        self.target_n, self.ramp = 0.0, ramp_n_per_s

    def step(self) -> Sample:
        """Go on by a hundredth of a second, and read the sensors."""
        self.now_us += round(DT_S * 1e6)
        if self.now_us > self.lease_ends_us:
            self.target_n = 0.0  # the lease was not renewed: unload, whatever happened to the controller
        self.applied_n += max(-self.ramp * DT_S, min(self.ramp * DT_S, self.target_n - self.applied_n))
        self._lift()
        force = (self.applied_n,)
        docked = self.x_m <= 0.0 and not self.up
        return Sample(position_m=(self.x_m,), velocity_m_s=(self.v_m_s,), force_n=force, applied_n=force, docked=docked)

    def run(self, heard: Callable[[Sample], None], until: threading.Event, times_as_fast: float) -> None:
        """Step and call back until told to end, as a driver's own thread does.

        Args:
            heard: gets every sample.
            until: set it to end.
            times_as_fast: as a real rig.
        """
        while not until.is_set():
            heard(self.step())
            time.sleep(DT_S / times_as_fast)

    def _lift(self) -> None:
        rising = self.applied_n < self.target_n  # nobody takes the handle before the load stands
        self.wait_s = 0.3 if rising else max(0.0, self.wait_s - DT_S)
        able = 2.0 * (1.0 - self.applied_n / self.strength_n) if self.up else -0.45
        wish = max(0.0, able) if self.up else able
        if self.wait_s > 0 or self.applied_n < 1.0 or (not self.up and self.x_m <= 0.0):
            wish = 0.0
        self.v_m_s += (wish - self.v_m_s) * min(1.0, DT_S / 0.05)
        self.x_m = max(0.0, self.x_m + self.v_m_s * DT_S)
        if self.up:
            self.strength_n -= 9.0 * DT_S
        if self.up and self.x_m > 0.5:
            self.up, self.wait_s = False, 0.3
        elif not self.up and self.x_m <= 0.0 and self.applied_n > 1.0 and self.wait_s == 0.0:
            self.up, self.wait_s = True, 0.3
