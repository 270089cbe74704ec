"""One set in memory: lifter and rig physics, sensors, firmware and link around the real controller, no MQTT, no clock.

The same `SetController` object as runs live is fed events in the order in which they would arrive and its commands go
back to the simulated rig, so what is seen here is what would happen. Nothing here decides about loads. What must stay
true is checked by `witness` and `rig_watch` on the way.

Time runs frame by frame. Within a frame the truth is advanced in pieces, cut at the sample where a command takes
effect or a lease runs out. Controller time is true time plus the link's delay; the rig has a clock of its own.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from functools import lru_cache
from typing import Final

import numpy as np

from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
)
from ebbset.controller.messages.events import (
    Acknowledged,
    BadInput,
    Event,
    LinkUp,
    Requested,
    RigAnnounced,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import RequestAction, Topic
from ebbset.simulators.closed_loop.invariant_monitor import Breach, InvariantMonitor
from ebbset.simulators.closed_loop.link_model import LinkModel, Way
from ebbset.simulators.closed_loop.rig_monitor import RigMonitor
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SetNotRunError, SimulatedSet, TrueRepetition
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.rig.firmware import Notice, RigFirmware
from ebbset.simulators.rig.plant import Plant
from ebbset.simulators.rig.rig_parameters import RigParameters
from ebbset.simulators.rig.sensors import Reading, SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, firmware_settings, step_for

__all__ = ["LoopSettings", "SetNotRunError", "SimulatedSet", "TrueRepetition", "installed_controller", "run_set"]
TICK_US: Final = 20_000
MOST_OUTPUTS: Final = 64
_ASK_FRAMES: Final = 20
_LONGEST_SET_S: Final = 600.0
_LIMIT_MARGIN_S: Final = 60.0
_COMMANDS: Final = (SendLoad, SendUnload, SendArm, SendRelease)
_UNTOLD: Final = (Samples, Acknowledged)
_HOLDING: Final = frozenset({Phase.BOTTOM, Phase.CONCENTRIC, Phase.TOP, Phase.ECCENTRIC, Phase.FAILED, Phase.TALKING})


@lru_cache(maxsize=1)
def _installed_policies() -> dict[str, PolicyFactory]:
    return load_policies()


def installed_controller() -> SetController:
    """A controller with every installed drop policy; the search for them is done once in a process."""
    return SetController(_installed_policies())


def run_set(
    prescription: Prescription,
    lifter: LifterParameters,
    rig: RigParameters | None = None,
    *,
    seed: int | np.random.SeedSequence,
    profile: LifterProfile | None = None,
    sensors: SensorParameters | None = None,
    faults: tuple[SensorFault, ...] = (),
    link: LinkModel | None = None,
    controller_factory: Callable[[], SetController] = installed_controller,
    settings: LoopSettings | None = None,
    plant: Plant | None = None,
    recorder: Callable[[Event, tuple[Output, ...]], None] | None = None,
    probe: Callable[[Plant, tuple[Output, ...]], None] | None = None,
) -> SimulatedSet:
    """Run one set to its end.

    Args:
        prescription: what is ordered.
        lifter: who lifts.
        rig: on what; the default rig when None.
        seed: of all randomness of this set; the same seed gives the same bits.
        profile: the lifter profile that the controller is given.
        sensors: sensors and clock of the rig.
        faults: what befalls the sensors, on true time.
        link: the network.
        controller_factory: makes the controller; a fresh one for each set.
        settings: how the loop runs.
        plant: a plant to go on with, e.g. one that is tired from a set before; made from lifter and rig when None.
        recorder: called with every input and what it led to, in order.
        probe: called with the plant after every input that led to something; must not advance it (fork it).

    Raises:
        SetNotRunError: the controller refused to arm or start.
    """
    loop = _Loop(
        prescription=prescription,
        lifter=lifter,
        rig=rig or RigParameters(),
        seed=seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed),
        profile=profile,
        sensors=sensors or SensorParameters(),
        faults=faults,
        link=link or LinkModel(),
        controller=controller_factory(),
        settings=settings or LoopSettings(),
        plant=plant,
        recorder=recorder,
        probe=probe,
    )
    outcome = loop.run()
    if loop.settings.check_replay:
        loop.check_replay(controller_factory())
    return outcome


class _Loop:
    """One run; the state that its parts share."""

    def __init__(
        self,
        *,
        prescription: Prescription,
        lifter: LifterParameters,
        rig: RigParameters,
        seed: np.random.SeedSequence,
        profile: LifterProfile | None,
        sensors: SensorParameters,
        faults: tuple[SensorFault, ...],
        link: LinkModel,
        controller: SetController,
        settings: LoopSettings,
        plant: Plant | None,
        recorder: Callable[[Event, tuple[Output, ...]], None] | None,
        probe: Callable[[Plant, tuple[Output, ...]], None] | None,
    ) -> None:
        streams = [np.random.default_rng(child) for child in seed.spawn(4)]
        plant = plant if plant is not None else Plant(rig, lifter, streams[0], step_for(sensors.sample_rate_hz))
        own = firmware_settings(plant.rig)
        self.settings = settings
        self.prescription = prescription
        self.profile = profile
        self.controller = controller
        self.rig = SimulatedRig(
            plant,
            Sensors(sensors, cables=own.cables, rng=streams[1], faults=faults),
            RigFirmware(own, boot_id=streams[3].bytes(6).hex()),
            frame_samples=settings.frame_samples,
            ready_after_s=settings.ready_after_s,
        )
        self.nonce = streams[3].bytes(8).hex()
        self.witness = InvariantMonitor()
        self.watch = RigMonitor(max_ramp_n_per_s=own.max_ramp_n_per_s)
        self.outcome = SimulatedSet()
        self._up = Way(link, streams[2])
        self._down = Way(link, streams[2])
        self._recorder = recorder
        self._probe = probe
        self._log: list[tuple[Event, tuple[Output, ...]]] | None = [] if settings.check_replay else None
        self._pending: deque[tuple[float, Command]] = deque()
        # With frames coming as they should, ticks in between would be work for nothing.
        self._overdue_us = round(1.25e6 * settings.frame_samples * self.rig.sample_s)
        self._began_s = plant.time_s
        self._now_us = round(plant.time_s * 1e6)
        self._timely_us = self._now_us
        self._unwitnessed: Samples | None = None
        self._frame_seq = 0
        self._event_seq = 0
        self._loading_s: float | None = None

    # --- the whole run -------------------------------------------------------------------------------------------

    def run(self) -> SimulatedSet:
        """Arm, start, and go on until the controller has given its result."""
        rig, outcome = self.rig, self.outcome
        outcome.capacity_before = rig.plant.truth.capacity
        self._feed(LinkUp(now_us=self._now_us))
        self._announce()
        self._ask(RequestAction.ARM)
        self._ask(RequestAction.START)
        limit_s = self._limit_s()
        while outcome.result is None and rig.t_s - self._began_s < limit_s:
            self._frame()
        rig.keep_repetitions()
        outcome.true_repetitions = [TrueRepetition(bout, truth) for bout, truth in rig.finished]
        outcome.violations += [*self.witness.breaches, *self.watch.breaches]
        outcome.state = self.controller.state
        outcome.capacity_after = rig.plant.truth.capacity
        outcome.simulated_s = rig.t_s - self._began_s
        outcome.duration_s = rig.t_s - (self._loading_s if self._loading_s is not None else rig.t_s)
        return outcome

    def _limit_s(self) -> float:
        if self.settings.limit_s is not None:
            return self.settings.limit_s
        order = self.prescription
        rests_s = sum(bout.rest_before_s for bout in order.bouts)
        return (order.stop.max_duration_s or _LONGEST_SET_S) + rests_s + _LIMIT_MARGIN_S

    def _announce(self) -> None:
        own, sensors = self.rig.firmware.settings, self.rig.sensors.parameters
        self._feed(
            RigAnnounced(
                now_us=self._now_us,
                rig="simulated",
                boot_id=self.rig.firmware.boot_id,
                cables=own.cables,
                telemetry="frames",
                sample_rate_hz=sensors.sample_rate_hz,
                has_force=sensors.has_force,
                max_load_n=own.max_load_n,
                min_load_n=own.min_load_n,
                max_ramp_n_per_s=own.max_ramp_n_per_s,
                max_lease_ms=own.max_lease_ms,
            )
        )

    def _ask(self, action: RequestAction) -> None:
        """Ask as a person does: again, for a while, when telemetry has not come yet."""
        answer: Answer | None = None
        for _ in range(_ASK_FRAMES):
            self._frame()
            answer = self._request(action)
            if answer is None or answer.accepted:
                return
            if answer.code != "no_telemetry":
                break
        if answer is not None:
            raise SetNotRunError(f"{action.value} refused: {answer.code}: {answer.message}")

    def _request(self, action: RequestAction) -> Answer | None:
        arming = action is RequestAction.ARM
        before = len(self.outcome.answers)
        self._feed(
            Requested(
                now_us=self._now_us,
                correlation_id=f"simulated-{action.value}",
                action=action,
                operator="simulated",
                cautions_shown=arming,
                fresh_nonce=self.nonce if arming else None,
                prescription=self.prescription if arming else None,
                profile=self.profile if arming else None,
            )
        )
        return self.outcome.answers[-1] if len(self.outcome.answers) > before else None

    # --- the controller's side -----------------------------------------------------------------------------------

    def _tick_until(self, arrival_s: float) -> int:
        """Controller time of an arrival, after the ticks before it where no frame came."""
        now_us = max(round(arrival_s * 1e6), self._now_us)
        if now_us - self._timely_us > self._overdue_us:
            while self._timely_us + TICK_US < now_us:
                self._timely_us = max(self._timely_us + TICK_US, self._now_us)
                self._feed(Tick(now_us=self._timely_us))
        return now_us

    def _feed(self, event: Event) -> None:
        self._now_us = now_us = event.now_us
        self.outcome.events += 1
        try:
            outputs = self.controller.handle(event)
        except Exception as error:
            # Whatever the controller lets out is exactly what invariant 9 forbids; the run goes on to show the rest.
            self._breach(9, f"{type(error).__name__} on {type(event).__name__}: {error}; allowed: no error")
            return
        if outputs or not isinstance(event, _UNTOLD):
            # The witness judges by the newest frame, so of those that led to nothing it sees the last only, and none
            # when a newer one comes with something to judge; what a rig that sends frames answers tells it nothing.
            if self._unwitnessed is not None:
                if not isinstance(event, Samples):
                    self.witness.step(self._unwitnessed, ())
                self._unwitnessed = None
            self.witness.step(event, outputs)
        elif isinstance(event, Samples):
            self._unwitnessed = event
        if self._recorder is not None:
            self._recorder(event, outputs)
        if self._log is not None:
            self._log.append((event, outputs))
        if outputs:
            self._take_outputs(outputs, now_us)

    def _take_outputs(self, outputs: tuple[Output, ...], now_us: int) -> None:
        outcome = self.outcome
        for output in outputs:
            if isinstance(output, _COMMANDS):
                arrival_s = self._down.arrival_s(now_us * 1e-6)
                if arrival_s is not None:
                    self._pending.append((arrival_s, output))
            elif isinstance(output, SetResult):
                outcome.result = output
            elif isinstance(output, Answer):
                outcome.answers.append(output)
            elif isinstance(output, Decision) and self.settings.keep_outputs:
                outcome.decisions.append(output)
            elif isinstance(output, RepetitionRecord) and self.settings.keep_outputs:
                outcome.repetitions.append(output)
        if len(outputs) > MOST_OUTPUTS:
            self._breach(9, f"{len(outputs)} outputs of one event; allowed: at most {MOST_OUTPUTS}")
        if self._probe is not None:
            self._probe(self.rig.plant, outputs)

    # --- the rig's side ------------------------------------------------------------------------------------------

    def _frame(self) -> None:
        """Advance one frame and let everything that follows from it arrive."""
        rig = self.rig
        n = self.settings.frame_samples
        start_s, sample_s = rig.t_s, rig.sample_s
        end_s = start_s + n * sample_s
        before_n = rig.applied_n
        done = 0
        while (cut_s := self._next_cut_s()) <= end_s:
            if not self._is_mere_renewal(cut_s):
                at = min(max(math.ceil((cut_s - start_s) / sample_s - 1e-9), done), n)
                rig.advance(done, at)
                done = at
            self._take_effect(cut_s, done)
        rig.advance(done, n)
        target_n, t_us = rig.target_n, rig.clock_us()
        for notice in rig.watch(0, n, t_us=t_us):
            self._send_notice(notice)
        if rig.target_n is not target_n:
            self._note_target(target_n)
        self._check_rig(t_us, end_s - start_s, before_n)
        rig.person()
        self._send_frame()

    def _next_cut_s(self) -> float:
        """True time of the next command to arrive or lease to run out."""
        rig = self.rig
        deadline_us = rig.firmware.deadline_us
        lease_s = math.inf if deadline_us is None else rig.sensors.true_s(deadline_us)
        if self._pending:
            arrival_s = self._pending[0][0]
            if arrival_s < lease_s:
                return arrival_s
        return lease_s

    def _is_mere_renewal(self, cut_s: float) -> bool:
        """The next thing due is a load command that leaves the motors as they are, obeyed or refused."""
        pending = self._pending
        if not pending or pending[0][0] > cut_s:
            return False
        command = pending[0][1]
        return isinstance(command, SendLoad) and (command.target_n, command.ramp_n_per_s) == self.rig.driven

    def _take_effect(self, cut_s: float, done: int) -> None:
        """Serve the command or the lease end that is due."""
        rig = self.rig
        t_s = max(cut_s, rig.t_s)
        t_us = rig.clock_us(t_s)
        target_n = rig.target_n
        if not self._pending or self._pending[0][0] > cut_s:
            deadline_us = rig.firmware.deadline_us
            for notice in rig.watch(0, done, t_us=max(t_us, deadline_us or 0)):
                self._send_notice(notice)
            self._note_target(target_n)
            return
        command = self._pending.popleft()[1]
        reply = rig.handle(command, t_us=t_us)
        if reply.accepted and isinstance(command, SendLoad):
            self.watch.granted(t_us + command.lease_ms * 1_000)
        self._note_target(target_n)
        arrival_s = self._up.arrival_s(t_s)
        if arrival_s is None:
            return
        self._feed(
            Acknowledged(
                now_us=self._tick_until(arrival_s),
                boot_id=rig.firmware.boot_id,
                nonce=reply.nonce,
                command_seq=reply.command_seq,
                t_us=reply.t_us,
                accepted=reply.accepted,
                refusal=reply.refusal,
                applied_n=reply.applied_n,
                docked=reply.docked,
            )
        )

    def _note_target(self, before_n: tuple[float, ...]) -> None:
        target_n = self.rig.target_n
        if target_n != before_n:
            self.outcome.loads.append((self.rig.t_s, target_n))
            if self._loading_s is None and max(target_n) > 0.0:
                self._loading_s = self.rig.t_s

    def _send_notice(self, notice: Notice) -> None:
        arrival_s = self._up.arrival_s(self.rig.t_s)
        self._event_seq += 1
        if arrival_s is None:
            return
        self._feed(
            RigReported(
                now_us=self._tick_until(arrival_s),
                boot_id=self.rig.firmware.boot_id,
                seq=self._event_seq,
                t_us=notice.t_us,
                kind=notice.kind,
                detail=notice.detail,
            )
        )

    def _send_frame(self) -> None:
        rig = self.rig
        self._frame_seq += 1
        self.outcome.frames += 1
        reading = rig.read()
        arrival_s = None if reading is None else self._up.arrival_s(rig.t_s, may_be_lost=True)
        if reading is None or arrival_s is None:
            # Nothing arrives, and the controller's clock goes on.
            self._tick_until(rig.t_s)
            return
        now_us = self._tick_until(arrival_s)
        if reading.finite:
            self._timely_us = now_us
            self._feed(self._samples(now_us, reading))
        else:
            # What the wire cannot carry arrives as bad input.
            bad = "a value is not finite"
            self._feed(BadInput(now_us=now_us, topic=Topic.FRAME.value, code="not_finite", detail=bad))

    def _samples(self, now_us: int, reading: Reading) -> Samples:
        """The frame as the link would hand it to the core."""
        rig = self.rig
        firmware = rig.firmware
        return Samples(
            now_us=now_us,
            boot_id=firmware.boot_id,
            seq=self._frame_seq,
            nonce=firmware.nonce,
            docked=rig.docked,
            applied_n=rig.applied_n,
            t_us=reading.t_us,
            position_m=reading.position_m,
            velocity_m_s=reading.velocity_m_s,
            force_n=reading.force_n,
        )

    def _check_rig(self, t_us: int, elapsed_s: float, before_n: tuple[float, ...]) -> None:
        rig = self.rig
        target_n, applied_n = rig.target_n, rig.applied_n
        lowering = applied_n != target_n and min(target_n) > 0.0 and max(applied_n) > max(target_n) + 1.0
        self.watch.step(
            now_us=self._now_us,
            t_us=t_us,
            elapsed_s=elapsed_s,
            before_n=before_n,
            applied_n=applied_n,
            target_n=target_n,
            slack_in_hand=lowering and rig.plant.phase in _HOLDING and float(rig.truth[:, :, 3].min()) <= 0.0,
        )

    def _breach(self, invariant: int, detail: str) -> None:
        self.outcome.violations.append(Breach(invariant, self._now_us, detail))

    def check_replay(self, controller: SetController) -> None:
        """Invariant 8: the same inputs lead a fresh controller to the same outputs."""
        for index, (event, outputs) in enumerate(self._log or ()):
            if controller.handle(event) != outputs:
                self._breach(8, f"input {index} replays to other outputs; allowed: the same, bit for bit")
                return
