"""The rig's end of a simulated link: advance the rig frame by frame, serve what is due, report to the controller.

Within a frame the truth is advanced in pieces, cut at the sample where a command takes effect or a lease runs out. The
rig has a clock of its own.
"""

from __future__ import annotations

import math
from typing import Final

from ebbset.controller.messages.actions import SendLoad
from ebbset.controller.messages.events import Acknowledged, BadInput, RigAnnounced, RigReported, Samples
from ebbset.models.contract.wire import Topic
from ebbset.rig.rig_core import Notice
from ebbset.simulators.closed_loop.controller_side import ControllerSide
from ebbset.simulators.closed_loop.link_model import Way
from ebbset.simulators.closed_loop.rig_monitor import RigMonitor
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.rig.sensors import Reading
from ebbset.simulators.rig.simulated_rig import SimulatedRig

_HOLDING: Final = frozenset({Phase.BOTTOM, Phase.CONCENTRIC, Phase.TOP, Phase.ECCENTRIC, Phase.FAILED, Phase.TALKING})


class RigSide:
    """One simulated rig on the link.

    Args:
        rig: the rig with the lifter at it.
        up: the way from rig to controller.
        controller: where reports go and commands come from.
        monitor: told what happened at the rig.
        outcome: receives frames sent and changes of load.

    Attributes:
        loading_s: true time of the first load, s; None before.
    """

    def __init__(
        self, rig: SimulatedRig, up: Way, controller: ControllerSide, *, monitor: RigMonitor, outcome: SimulatedSet
    ) -> None:
        self.rig = rig
        self.loading_s: float | None = None
        self._up = up
        self._controller = controller
        self._commands = controller.commands
        self._monitor = monitor
        self._outcome = outcome
        self._frame_samples = len(rig.truth)
        self._frame_seq = 0
        self._event_seq = 0

    def announce(self) -> None:
        """Tell the controller who the rig is and what it can do."""
        own, sensors = self.rig.firmware.limits, self.rig.sensors.parameters
        self._controller.feed(
            RigAnnounced(
                now_us=self._controller.time.now_us,
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
                simulated=True,
            )
        )

    def frame(self) -> None:
        """Advance one frame and let everything that follows from it arrive."""
        rig = self.rig
        n = self._frame_samples
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
            self._report(notice)
        if rig.target_n is not target_n:
            self._note_target(target_n)
        self._check(t_us, end_s - start_s, before_n)
        rig.person()
        self._send_frame()

    # --- what is due within a frame ------------------------------------------------------------------------------

    def _next_cut_s(self) -> float:
        """True time of the next command to arrive or lease to run out."""
        rig = self.rig
        deadline_us = rig.firmware.deadline_us
        lease_s = math.inf if deadline_us is None else rig.sensors.true_s(deadline_us)
        if self._commands:
            arrival_s = self._commands[0][0]
            if arrival_s < lease_s:
                return arrival_s
        return lease_s

    def _is_mere_renewal(self, cut_s: float) -> bool:
        """The next thing due is a load command that leaves the motors as they are, obeyed or refused."""
        commands = self._commands
        if not commands or commands[0][0] > cut_s:
            return False
        command = commands[0][1]
        return isinstance(command, SendLoad) and (command.target_n, command.ramp_n_per_s) == self.rig.driven

    def _take_effect(self, cut_s: float, done: int) -> None:
        """Serve the command or the lease end that is due."""
        rig = self.rig
        t_s = max(cut_s, rig.t_s)
        t_us = rig.clock_us(t_s)
        target_n = rig.target_n
        if not self._commands or self._commands[0][0] > cut_s:
            deadline_us = rig.firmware.deadline_us
            for notice in rig.watch(0, done, t_us=max(t_us, deadline_us or 0)):
                self._report(notice)
            self._note_target(target_n)
            return
        command = self._commands.popleft()[1]
        reply = rig.handle(command, t_us=t_us)
        if reply.accepted and isinstance(command, SendLoad):
            self._monitor.granted(t_us + command.lease_ms * 1_000)
        self._note_target(target_n)
        arrival_s = self._up.arrival_s(t_s)
        if arrival_s is None:
            return
        self._controller.feed(
            Acknowledged(
                now_us=self._controller.tick_until(arrival_s),
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
            self._outcome.loads.append((self.rig.t_s, target_n))
            if self.loading_s is None and max(target_n) > 0.0:
                self.loading_s = self.rig.t_s

    def _check(self, t_us: int, elapsed_s: float, before_n: tuple[float, ...]) -> None:
        """Have the monitor judge the frame that has just run."""
        rig = self.rig
        target_n, applied_n = rig.target_n, rig.applied_n
        lowering = applied_n != target_n and min(target_n) > 0.0 and max(applied_n) > max(target_n) + 1.0
        self._monitor.step(
            now_us=self._controller.time.now_us,
            t_us=t_us,
            elapsed_s=elapsed_s,
            before_n=before_n,
            applied_n=applied_n,
            target_n=target_n,
            slack_in_hand=lowering and rig.plant.phase in _HOLDING and float(rig.truth[:, :, 3].min()) <= 0.0,
        )

    # --- messages to the controller ------------------------------------------------------------------------------

    def _report(self, notice: Notice) -> None:
        arrival_s = self._up.arrival_s(self.rig.t_s)
        self._event_seq += 1
        if arrival_s is None:
            return
        self._controller.feed(
            RigReported(
                now_us=self._controller.tick_until(arrival_s),
                boot_id=self.rig.firmware.boot_id,
                seq=self._event_seq,
                t_us=notice.t_us,
                kind=notice.kind,
                detail=notice.detail,
            )
        )

    def _send_frame(self) -> None:
        rig, controller = self.rig, self._controller
        self._frame_seq += 1
        self._outcome.frames += 1
        reading = rig.read()
        arrival_s = None if reading is None else self._up.arrival_s(rig.t_s, may_be_lost=True)
        if reading is None or arrival_s is None:
            # Nothing arrives, and the controller's clock goes on.
            controller.tick_until(rig.t_s)
            return
        now_us = controller.tick_until(arrival_s)
        if reading.finite:
            controller.time.timely_us = now_us
            controller.feed(self._samples(now_us, reading))
        else:
            # The wire carries finite numbers only, so the link would hand this on as bad input.
            bad = "a value is not finite"
            controller.feed(BadInput(now_us=now_us, topic=Topic.FRAME.value, code="not_finite", detail=bad))

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
