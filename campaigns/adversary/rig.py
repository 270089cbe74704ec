"""A rig that keeps the contract and carries a scripted lifter: clocks, ramps, leases, frames, acknowledgements.

What lives here: everything between the lifter's hand and the controller's `handle`. What never does: judging.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from campaigns.adversary.judge import Judge, Judgement
from campaigns.adversary.lifter import LONGEST_STEP_S, Script, ScriptedLifter
from ebbset.controller.messages.actions import (
    Decision,
    Output,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
)
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    LinkUp,
    Requested,
    RigAnnounced,
    RigReported,
    Samples,
)
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor

DOCK_M: Final = 0.12
LONGEST_SET_S: Final = 180.0
HANDLE_MASS_KG: Final = 4.0
UNLOAD_RAMP_N_PER_S: Final = 1_000.0
MAX_LEASE_MS: Final = 1_000


class Controller(Protocol):
    """What is driven: the real `SetController`, or a stand-in that the harness is tested with."""

    def handle(self, event: Event) -> tuple[Output, ...]:
        """Take one event in."""


ControllerFactory = Callable[[ScriptedLifter], Controller]
"""Makes the controller of one set; only a stand-in looks at the lifter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSetup:
    """One rig.

    Attributes:
        rate_hz: samples a second.
        frame_samples: samples in a frame.
        cables: 1 or 2.
        position_noise_m: standard deviation of position.
        velocity_noise_m_s: of velocity.
        force_noise_n: of force.
        has_velocity: velocity is sent.
        has_force: force is sent.
        lag_s: how far the second side is behind the first.
        side_rom: range of the second side over that of the first.
    """

    rate_hz: float = 100.0
    frame_samples: int = 5
    cables: int = 1
    position_noise_m: float = 0.0002
    velocity_noise_m_s: float = 0.01
    force_noise_n: float = 2.0
    has_velocity: bool = True
    has_force: bool = True
    lag_s: float = 0.0
    side_rom: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One set to drive.

    Attributes:
        family: which family drew it.
        variant: which kind of set within the family.
        healthy: nobody is meant to fail.
        script: what the lifter does.
        rig: the rig it is done on.
        prescription: of the set.
        profile: what the controller is told about the lifter.
    """

    family: str
    variant: str
    healthy: bool
    script: Script
    rig: RigSetup
    prescription: Prescription
    profile: LifterProfile | None


class AdversaryRig:
    """Drives one controller through one set.

    Args:
        case: the set.
        factory: makes the controller.
        rng: of sensor noise and of the lifter's readiness.
        trace: called with a line about everything that was decided, or ``None``.
    """

    def __init__(
        self,
        case: Case,
        factory: ControllerFactory,
        rng: np.random.Generator,
        trace: Callable[[str], object] | None = None,
    ) -> None:
        self.case = case
        self.lifter = ScriptedLifter(case.script, DOCK_M, ready_s=float(rng.uniform(0.3, 1.0)))
        self.controller = factory(self.lifter)
        stop = case.prescription.stop
        coupled = case.prescription.load.cables == "coupled"
        self.judge = Judge(self.lifter, healthy=case.healthy, most_repetitions=stop.max_repetitions, coupled=coupled)
        self.monitor = InvariantMonitor()
        self.result: SetResult | None = None
        self.raised: list[str] = []
        self._rng = rng
        self._trace = trace
        self._clock_ahead_us = int(rng.integers(1, 10**9))
        self._now_us = 1_000_000
        self._frames = 0
        self._reports = 0
        self._nonce: str | None = None
        self._seq = -1
        self._target = [0.0] * case.rig.cables
        self._applied = [0.0] * case.rig.cables
        self._ramp = UNLOAD_RAMP_N_PER_S
        self._lease_until_us: int | None = None
        self._docked = True
        self._replies: deque[Event] = deque()
        period_s = 1.0 / case.rig.rate_hz
        self._steps = max(1, math.ceil(period_s / LONGEST_STEP_S))
        self._dt = period_s / self._steps
        self._period_us = round(1e6 * period_s)
        self._history: deque[tuple[float, float]] = deque([(DOCK_M, 0.0)], maxlen=1 + round(case.rig.lag_s / self._dt))
        self._sampled_v = [0.0] * case.rig.cables

    def run(self) -> Judgement:
        """Arm, start and go on to the result."""
        self._send(LinkUp(now_us=self._now_us))
        self._send(self._identity())
        for _ in range(3):
            self._frame()
        self._ask(RequestAction.ARM)
        for _ in range(3):
            self._frame()
        self._ask(RequestAction.START)
        while self.result is None and self.lifter.now_s < LONGEST_SET_S:
            self._frame()
        breaches = [f"invariant {b.invariant}: {b.detail}" for b in self.monitor.breaches] + self.raised
        return self.judge.finish(self.result, breaches, self.case.variant)

    # --- events ----------------------------------------------------------------------------------------------------

    @property
    def _rig_us(self) -> int:
        return self._now_us + self._clock_ahead_us

    def _identity(self) -> RigAnnounced:
        rig = self.case.rig
        return RigAnnounced(
            now_us=self._now_us,
            rig="adversary",
            boot_id="boot-0001",
            cables=rig.cables,
            telemetry="frames",
            sample_rate_hz=rig.rate_hz,
            has_force=rig.has_force,
            max_load_n=1_500.0,
            min_load_n=20.0,
            max_ramp_n_per_s=2_000.0,
            max_lease_ms=MAX_LEASE_MS,
        )

    def _ask(self, action: RequestAction) -> None:
        arming = action is RequestAction.ARM
        self._send(
            Requested(
                now_us=self._now_us,
                correlation_id=f"adversary-{action.value}",
                action=action,
                operator="adversary",
                arming=None if arming else self._nonce,
                cautions_shown=arming,
                fresh_nonce="nonce-of-this-set" if arming else None,
                prescription=self.case.prescription if arming else None,
                profile=self.case.profile if arming else None,
            )
        )

    def _send(self, event: Event) -> None:
        self._replies.append(event)
        while self._replies:
            current = self._replies.popleft()
            try:
                outputs = self.controller.handle(current)
            except Exception as error:
                # Invariant 9 forbids exceptions; one is reported like any other breach.
                self.raised.append(f"invariant 9: {type(error).__name__} on {type(current).__name__}: {error}")
                continue
            self.monitor.step(current, outputs)
            for output in outputs:
                self._take(output)

    def _take(self, output: Output) -> None:
        if isinstance(output, Decision):
            self.judge.decided(output, self._ordered_before(output), self._applied)
            self._tell(output)
        elif isinstance(output, SetResult):
            self.result = output
        elif isinstance(output, SendArm | SendLoad | SendUnload | SendRelease):
            self._obey(output)

    def _ordered_before(self, decision: Decision) -> Sequence[float]:
        return decision.from_n if len(decision.from_n) == len(self._target) else self._target

    def _tell(self, decision: Decision) -> None:
        if self._trace is not None:
            lifter = self.lifter
            share = (lifter.x - lifter.bottom_m) / lifter.plan.rom_m
            self._trace(
                f"{lifter.now_s:7.3f} s  {decision.action} {decision.reason.value} cable {decision.cable}: "
                f"{[round(n) for n in decision.from_n]} to {[round(n) for n in decision.to_n]} N, counted "
                f"{decision.repetition}; truth: {lifter.phase.value}, {share:.2f} of ROM, {lifter.completed} completed"
            )

    # --- the rig's firmware ----------------------------------------------------------------------------------------

    def _obey(self, command: SendArm | SendLoad | SendUnload | SendRelease) -> None:
        refusal = self._objection(command)
        if refusal is None:
            self._seq = command.seq
            if isinstance(command, SendArm):
                self._nonce = command.nonce
            elif isinstance(command, SendLoad):
                self._target, self._ramp = list(command.target_n), command.ramp_n_per_s
                self._lease_until_us = self._rig_us + command.lease_ms * 1_000
            else:
                self._unload(command.ramp_n_per_s if isinstance(command, SendUnload) else UNLOAD_RAMP_N_PER_S)
        self._replies.append(
            Acknowledged(
                now_us=self._now_us,
                boot_id="boot-0001",
                nonce=command.nonce,
                command_seq=command.seq,
                t_us=self._rig_us,
                accepted=refusal is None,
                refusal=refusal,
                applied_n=tuple(self._applied),
                docked=self.lifter.docked,
            )
        )
        if refusal is None and isinstance(command, SendRelease):
            self._nonce = None

    def _objection(self, command: SendArm | SendLoad | SendUnload | SendRelease) -> Refusal | None:
        if isinstance(command, SendArm):
            return None
        if command.nonce != self._nonce:
            return Refusal.FOREIGN_NONCE
        if command.seq <= self._seq:
            return Refusal.REPEATED_SEQUENCE
        if isinstance(command, SendLoad):
            if command.lease_ms > MAX_LEASE_MS:
                return Refusal.LEASE_TOO_LONG
            if command.cites_t_us > self._rig_us:
                return Refusal.FUTURE_CITATION
            if self._rig_us - command.cites_t_us > command.lease_ms * 1_000:
                return Refusal.STALE_CITATION
            rises = any(n > now + 1e-6 for n, now in zip(command.target_n, self._target, strict=True))
            if rises and not self.lifter.docked:
                return Refusal.RISE_WHILE_UNDOCKED
        return None

    def _unload(self, ramp_n_per_s: float) -> None:
        self._target = [0.0] * len(self._target)
        self._ramp = ramp_n_per_s
        self._lease_until_us = None

    def _report(self, kind: RigEventKind) -> None:
        self._reports += 1
        self._send(
            RigReported(
                now_us=self._now_us,
                boot_id="boot-0001",
                seq=self._reports,
                t_us=self._rig_us,
                kind=kind,
                detail="",
            )
        )

    # --- samples ---------------------------------------------------------------------------------------------------

    def _advance(self) -> None:
        """One sample's time at the rig and in the lifter's hand."""
        dt, most = self._dt, self._ramp * self._dt
        for _ in range(self._steps):
            if self._applied != self._target:
                for k, target in enumerate(self._target):
                    self._applied[k] += max(-most, min(most, target - self._applied[k]))
            self.lifter.step(dt, self._applied, self._target)
            self._history.append((self.lifter.x, self.lifter.v))

    def _sides(self) -> list[tuple[float, float]]:
        """Position and velocity of each cable's handle."""
        add_x, add_v = self.lifter.sway
        sides = [(self.lifter.x + add_x, self.lifter.v + add_v)]
        if self.case.rig.cables == 2:
            x, v = self._history[0]
            start = DOCK_M + self.case.script.take_up_m
            if x > start:
                part = self.case.rig.side_rom
                x, v = start + (x - start) * part, v * part
            sides.append((x + add_x, v + add_v))
        return sides

    def _frame(self) -> None:
        rig = self.case.rig
        n, cables = rig.frame_samples, rig.cables
        noise = self._rng.standard_normal((3, cables, n))
        t_us: list[int] = []
        x: list[list[float]] = [[] for _ in range(cables)]
        v: list[list[float]] = [[] for _ in range(cables)]
        f: list[list[float]] = [[] for _ in range(cables)]
        changed: list[RigEventKind] = []
        for i in range(n):
            self._advance()
            self._now_us += self._period_us
            if self._lease_until_us is not None and self._rig_us > self._lease_until_us:
                self._unload(UNLOAD_RAMP_N_PER_S)
                changed.append(RigEventKind.LEASE_EXPIRED)
            if self.lifter.docked is not self._docked:
                self._docked = self.lifter.docked
                changed.append(RigEventKind.DOCKED if self._docked else RigEventKind.UNDOCKED)
            t_us.append(self._rig_us)
            for k, (position, velocity) in enumerate(self._sides()):
                a = (velocity - self._sampled_v[k]) * rig.rate_hz
                self._sampled_v[k] = velocity
                x[k].append(position + rig.position_noise_m * float(noise[0, k, i]))
                v[k].append(velocity + rig.velocity_noise_m_s * float(noise[1, k, i]))
                f[k].append(max(0.0, self._applied[k] + HANDLE_MASS_KG * a + rig.force_noise_n * float(noise[2, k, i])))
        for kind in changed:
            self._report(kind)
        self._frames += 1
        self._send(
            Samples(
                now_us=self._now_us,
                boot_id="boot-0001",
                seq=self._frames,
                nonce=self._nonce,
                docked=self._docked,
                applied_n=tuple(self._applied),
                t_us=tuple(t_us),
                position_m=tuple(tuple(column) for column in x),
                velocity_m_s=tuple(tuple(column) if rig.has_velocity else None for column in v),
                force_n=tuple(tuple(column) if rig.has_force else None for column in f),
            )
        )
