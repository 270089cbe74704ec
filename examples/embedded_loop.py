"""Regulator and guard inside an integrator's own asyncio loop: no MQTT, no broker, only the base install.

Your part: reading the sensors, driving the motor, keeping time. The part of ebbset: `SetController`, which takes events
and returns commands that its guard has passed. Two duties always stay with the hardware: its own stop, and unloading by
itself when a lease is not renewed (see `Motor.step`). This software is not a safety function.

    python examples/embedded_loop.py
"""

from __future__ import annotations

import asyncio
import secrets

from ebbset.controller.messages.actions import Decision, SendArm, SendLoad, SendRelease, SendUnload, SetResult
from ebbset.controller.messages.events import Acknowledged, Event, LinkUp, Requested, RigAnnounced, Samples, Tick
from ebbset.controller.messages.reasons import State
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription

ORDER = Prescription.from_toml("""
name = "Two drops on the bench rig"
exercise = "row"
[load]
start_n = "40 kg"
floor_n = "15 kg"
[drop]
policy = "fixed_fraction"
parameters = { fraction = 0.25 }
[stop]
max_drops = 2
""")
BOOT, DT_US, FRAME, FASTER = "bench-boot-1", 10_000, 5, 40


class Motor:
    """Takes the place of your motor and sensors: a ramp, a lease, and a lifter who tires, in simple mechanics."""

    def __init__(self) -> None:
        self.applied_n = self.target_n = self.x_m = self.v_m_s = 0.0
        self.ramp, self.lease_ends_us, self.strength_n, self.up, self.wait_s = 300.0, 0, 470.0, False, 2.0

    def hold(self, target_n: float, ramp_n_per_s: float, until_us: int) -> None:
        """Drive to a load for one lease.

        Args:
            target_n: load, newtons.
            ramp_n_per_s: change of load, newtons per second.
            until_us: end of the lease, microseconds.
        """
        self.target_n, self.ramp, self.lease_ends_us = target_n, ramp_n_per_s, until_us

    def step(self, now_us: int, dt: float) -> None:
        """Advance by ``dt`` seconds.

        Args:
            now_us: time at the end of the step, microseconds.
            dt: length of the step, seconds.
        """
        if now_us > self.lease_ends_us:
            self.target_n = 0.0  # the lease was not renewed: unload, whatever happened to the controller
        self.applied_n += max(-self.ramp * dt, min(self.ramp * dt, self.target_n - self.applied_n))
        self.wait_s = max(0.0, self.wait_s - dt)
        able = 2.0 * (1.0 - self.applied_n / self.strength_n) if self.up else -0.45
        wish = max(0.0, able) if self.up else able
        if self.wait_s > 0 or self.applied_n < 1.0 or (not self.up and self.x_m <= 0.0):
            wish = 0.0
        self.v_m_s += (wish - self.v_m_s) * min(1.0, dt / 0.05)
        self.x_m = max(0.0, self.x_m + self.v_m_s * dt)
        if self.up:
            self.strength_n -= 9.0 * dt
        if self.up and self.x_m > 0.5:
            self.up, self.wait_s = False, 0.3
        elif not self.up and self.x_m <= 0.0 and self.applied_n > 1.0 and self.wait_s == 0.0:
            self.up, self.wait_s = True, 0.3


class Rig:
    """Your loop: samples in, commands out."""

    def __init__(self) -> None:
        self.controller, self.motor = SetController(load_policies()), Motor()
        self.now_us, self.seq, self.nonce = 0, 0, ""
        self.result: SetResult | None = None

    def feed(self, event: Event) -> None:
        """Give the controller an event and carry out its outputs."""
        for output in self.controller.handle(event):
            if isinstance(output, SendArm):
                self.nonce = output.nonce
            elif isinstance(output, SendLoad):
                self.motor.hold(output.target_n[0], output.ramp_n_per_s, self.now_us + output.lease_ms * 1_000)
            elif isinstance(output, SendUnload | SendRelease):
                self.motor.hold(0.0, 300.0, self.now_us)
            elif isinstance(output, Decision):
                print(f"{output.now_us / 1e6:6.2f} s  {output.action:<5} {output.to_n[0]:6.1f} N  {output.text}")
            elif isinstance(output, SetResult):
                self.result = output
            if isinstance(output, SendArm | SendLoad | SendUnload | SendRelease):
                self.feed(
                    Acknowledged(
                        now_us=self.now_us,
                        boot_id=BOOT,
                        nonce=output.nonce,
                        command_seq=output.seq,
                        t_us=self.now_us,
                        accepted=True,
                        refusal=None,
                        applied_n=(self.motor.applied_n,),
                        docked=self.docked,
                    )
                )

    @property
    def docked(self) -> bool:
        """The handle rests at the rig."""
        return self.motor.x_m <= 0.0 and not self.motor.up

    def frame(self) -> Samples:
        """The next five samples."""
        rows = []
        for _ in range(FRAME):
            self.now_us += DT_US
            self.motor.step(self.now_us, DT_US / 1e6)
            rows.append((self.now_us, self.motor.x_m, self.motor.v_m_s, self.motor.applied_n))
        t_us, x, v, f = zip(*rows, strict=True)
        self.seq += 1
        return Samples(
            now_us=self.now_us,
            boot_id=BOOT,
            seq=self.seq,
            nonce=self.nonce or None,
            docked=self.docked,
            applied_n=(self.motor.applied_n,),
            t_us=t_us,
            position_m=(x,),
            velocity_m_s=(v,),
            force_n=(f,),
        )

    def ask(self, action: RequestAction) -> None:
        """Pass on a request that a person made with your own buttons."""
        arming = action is RequestAction.ARM
        self.feed(
            Requested(
                now_us=self.now_us,
                correlation_id="me-0001",
                action=action,
                operator="bench",
                prescription=ORDER if arming else None,
                arming=None if arming else self.nonce,
                fresh_nonce=secrets.token_hex(8) if arming else None,
                cautions_shown=arming,
            )
        )


async def main() -> None:
    """Run one set, forty times as fast as on a real rig."""
    rig = Rig()
    rig.feed(LinkUp(now_us=0))  # the controller is in the same process, so its link is always up
    rig.feed(
        RigAnnounced(
            now_us=0,
            rig="bench",
            boot_id=BOOT,
            cables=1,
            telemetry="frames",
            sample_rate_hz=100.0,
            has_force=True,
            max_load_n=800.0,
            min_load_n=20.0,
            max_ramp_n_per_s=1_000.0,
            max_lease_ms=1_000,
        )
    )
    rig.feed(rig.frame())
    rig.ask(RequestAction.ARM)  # the cautions were shown to the person at the rig before this line
    rig.feed(rig.frame())
    rig.ask(RequestAction.START)
    while rig.controller.state is not State.ENDED:
        rig.feed(rig.frame())
        rig.feed(Tick(now_us=rig.now_us))
        await asyncio.sleep(FRAME * DT_US / 1e6 / FASTER)  # a real rig waits for its sensors here
    if rig.result is not None:
        print(f"{rig.result.repetitions} repetitions, {rig.result.drops} drops, ended: {rig.result.text}")


if __name__ == "__main__":
    asyncio.run(main())
