"""A rig and lifter for tests of the regulator: kinematic, scripted by a list of moves, no physiology.

It follows commands as the contract says (ramp, lease) and plays handle motion at 100 Hz in frames of five samples.
A move either completes, or stops half-way for as long as the applied load stays above what the move can lift. The
dock is where the ascent begins.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ebbset.controller.messages.actions import (
    Command,
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
)
from ebbset.controller.messages.actions import SetResult as SetResult
from ebbset.controller.messages.events import Acknowledged, LinkUp, Requested, RigAnnounced, Samples, Tick
from ebbset.controller.policies.built_in import FixedFraction, FixedStep, ForceAtStall
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile, Uncertain

POLICIES: Mapping[str, Any] = {"fixed_fraction": FixedFraction, "fixed_step": FixedStep, "force_at_stall": ForceAtStall}
BOTTOM_M = 0.15
ROM_M = 0.5
PERIOD_US = 10_000
FRAME = 5


def profile_of(exercise: str = "row") -> LifterProfile:
    """An invented profile whose ROM is this rig's."""
    return LifterProfile(
        lifter="invented",
        exercise=exercise,
        date=datetime.date(2026, 1, 1),
        one_rm_n=Uncertain(mean=500.0, sd=20.0),
        velocity_at_zero_m_s=Uncertain(mean=1.8, sd=0.1),
        velocity_at_1rm_m_s=Uncertain(mean=0.3, sd=0.05),
        rom_m=Uncertain(mean=ROM_M, sd=0.02),
    )


@dataclass
class KinematicRig:
    """Drives a `SetController`; every command, decision, repetition and result is kept."""

    prescription: Prescription
    cables: int = 1
    lifts_n: list[float] = field(default_factory=lambda: [1e9])
    velocity_m_s: float = 0.6
    weaker_side: float = 1.0
    side_rom: float = 1.0
    policies: Mapping[str, Any] = field(default_factory=lambda: POLICIES)
    max_load_n: float = 1_500.0
    force_error_n: tuple[float, float] = (0.0, 0.0)
    profile: LifterProfile | None = None
    force: bool = True
    taut_n: float = 0.0
    outputs: list[Output] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.controller = SetController(self.policies)
        self.now_us = 1_000_000
        self.rig_us = 77_000_000
        self.seq = 0
        self.nonce: str | None = None
        self.applied = [0.0] * self.cables
        self.target = [0.0] * self.cables
        self.ramp = 300.0
        self.docked = True
        self.x = [BOTTOM_M] * self.cables
        self.v = [0.0] * self.cables
        self.phase = "dock"
        self.phase_s = 0.0
        self.attempt = 0
        self.frozen = False
        self.commands: list[Command] = []
        self.silent = False
        self.resting = False
        self.announces_force = self.force

    # --- driving -------------------------------------------------------------------------------------------------

    def send(self, event: Any) -> tuple[Output, ...]:
        out = self.controller.handle(event)
        self.outputs += out
        for item in out:
            if isinstance(item, SendArm):
                self.nonce = item.nonce
            elif isinstance(item, SendLoad):
                self.target = list(item.target_n)
                self.ramp = item.ramp_n_per_s
            elif isinstance(item, SendUnload | SendRelease):
                self.target = [0.0] * self.cables
            if isinstance(item, SendArm | SendLoad | SendUnload | SendRelease):
                self.commands.append(item)
        return out

    def online(self) -> None:
        self.send(LinkUp(now_us=self.now_us))
        self.send(self.identity())
        self.run(0.2)

    def identity(self, **changes: Any) -> RigAnnounced:
        base: dict[str, Any] = {
            "now_us": self.now_us,
            "rig": "bench",
            "boot_id": "boot-0001",
            "cables": self.cables,
            "telemetry": "frames",
            "sample_rate_hz": 100.0,
            "has_force": self.announces_force,
            "max_load_n": self.max_load_n,
            "min_load_n": 20.0,
            "max_ramp_n_per_s": 2_000.0,
            "max_lease_ms": 1_000,
        }
        return RigAnnounced(**{**base, **changes})

    def acknowledgement(self, nonce: str, command_seq: int, /, **changes: Any) -> Acknowledged:
        """The rig's answer to one command as things stand.

        Args:
            nonce: of the command.
            command_seq: its number.
            changes: members that are to be otherwise.
        """
        base: dict[str, Any] = {
            "now_us": self.now_us,
            "boot_id": "boot-0001",
            "nonce": nonce,
            "command_seq": command_seq,
            "t_us": self.rig_us,
            "accepted": True,
            "refusal": None,
            "applied_n": tuple(self.applied),
            "docked": self.docked,
        }
        return Acknowledged(**{**base, **changes})

    def ask(self, action: RequestAction, **changes: Any) -> tuple[Output, ...]:
        base: dict[str, Any] = {
            "now_us": self.now_us,
            "correlation_id": f"ask-{action.value}-{self.now_us}",
            "action": action,
            "operator": "coach",
        }
        if action is RequestAction.START:
            base["arming"] = self.nonce
        elif action is RequestAction.ARM:
            base |= {
                "cautions_shown": True,
                "fresh_nonce": f"nonce-{self.now_us}",
                "prescription": self.prescription,
                "profile": self.profile,
            }
        return self.send(Requested(**{**base, **changes}))

    def begin(self) -> None:
        self.online()
        self.ask(RequestAction.ARM)
        self.run(0.3)
        self.ask(RequestAction.START)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 1e6 / PERIOD_US / FRAME)):
            self.frame()

    def frame(self) -> Samples | None:
        times, positions, velocities, forces = [], [], [], []
        for _ in range(FRAME):
            self.now_us += PERIOD_US
            self.rig_us += PERIOD_US
            if not self.frozen:
                self.step(PERIOD_US / 1e6)
            times.append(self.rig_us)
            positions.append(tuple(self.x))
            velocities.append(tuple(self.v))
            forces.append(tuple(n + off for n, off in zip(self.applied, self.force_error_n, strict=False)))
        self.seq += 1
        if self.silent:
            self.send(Tick(now_us=self.now_us))
            return None
        event = Samples(
            now_us=self.now_us,
            boot_id="boot-0001",
            seq=self.seq,
            nonce=self.nonce,
            docked=self.docked,
            applied_n=tuple(self.applied),
            t_us=tuple(times),
            position_m=tuple(zip(*positions, strict=True)),
            velocity_m_s=tuple(zip(*velocities, strict=True)),
            force_n=tuple(zip(*forces, strict=True)) if self.force else (None,) * self.cables,
        )
        self.send(event)
        return event

    # --- motion --------------------------------------------------------------------------------------------------

    def step(self, dt: float) -> None:
        for k in range(self.cables):
            step = self.ramp * dt
            self.applied[k] += max(-step, min(step, max(self.target[k], self.taut_n) - self.applied[k]))
        self.phase_s += dt
        if self.phase == "dock":
            if self.stands and self.phase_s > 1.5 and not self.resting:
                self.enter("bottom")
        elif self.phase == "home":
            self._move(dt, BOTTOM_M, 0.3, "dock")
        elif self.phase == "top":
            self._wait("down")
        elif self.phase in ("bottom", "up", "down"):
            self._go_on(dt)
        # A test may hold the handle in a phase of its own: then nothing moves.
        self.docked = self.phase == "dock"

    @property
    def stands(self) -> bool:
        """The load has come on: what a lifter waits for who does as told."""
        return (
            min(self.applied) > self.taut_n + 1.0 and max(map(abs, map(float.__sub__, self.target, self.applied))) < 1.0
        )

    def _go_on(self, dt: float) -> None:
        """In the middle of a repetition; home as soon as the load is gone."""
        if max(self.applied) <= self.taut_n + 1.0 or (self.resting and self.phase == "bottom"):
            self.enter("home")
        elif self.phase == "bottom":
            self._wait("up")
        elif self.phase == "up":
            self._ascend(dt)
        else:
            self._move(dt, BOTTOM_M, 0.4, "bottom")

    def _wait(self, then: str) -> None:
        if self.phase_s > 0.3:
            self.enter(then)

    def _ascend(self, dt: float) -> None:
        lift_n = self.lifts_n[min(self.attempt, len(self.lifts_n) - 1)]
        if self.x[0] - BOTTOM_M > 0.45 * ROM_M and max(self.applied) > lift_n:
            self.v = [0.0] * self.cables
        else:
            self._move(dt, BOTTOM_M + ROM_M, self.velocity_m_s, "top")

    def enter(self, phase: str) -> None:
        if phase == "top":
            self.attempt += 1
        self.phase, self.phase_s = phase, 0.0
        self.v = [0.0] * self.cables

    def _move(self, dt: float, to_m: float, speed: float, then: str) -> None:
        done = True
        for k in range(self.cables):
            side = self.weaker_side if k else 1.0
            goal = to_m if k == 0 or to_m <= BOTTOM_M else BOTTOM_M + (to_m - BOTTOM_M) * self.side_rom
            gap = goal - self.x[k]
            v = max(-speed * side, min(speed * side, gap * 8.0))
            if abs(gap) < 0.004:
                v = 0.0
            else:
                done = False
            self.v[k] = v
            self.x[k] += v * dt
        if done:
            self.enter(then)

    # --- reading -------------------------------------------------------------------------------------------------

    def decisions(self, action: str | None = None) -> list[Decision]:
        return [o for o in self.outputs if isinstance(o, Decision) and (action is None or o.action == action)]

    def repetitions(self) -> list[RepetitionRecord]:
        return [o for o in self.outputs if isinstance(o, RepetitionRecord)]

    def result(self) -> SetResult | None:
        found = [o for o in self.outputs if isinstance(o, SetResult)]
        return found[-1] if found else None
