"""Checks the invariants from outside: watches a controller's inputs and outputs and says which invariant broke.

It shares no code with the regulator or the guard and reads only the message types, so that an error there cannot hide
an error here. It runs beside every simulated set, over recordings, in the property tests and in the fault campaign.

Numbers of the invariants: 1 ceiling, 2 no rise, 3 nothing between zero and the floor, 4 ramp, 5 telemetry, 6 latched
stop, 9 no command that the guard refuses. (7, unloading within one lease, shows at the rig, see `rig_monitor`; 8, equal
replay, needs two runs, see `set_observer`.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from ebbset.controller.messages.actions import Decision, Output, SendArm, SendLoad, SendRelease, SendUnload, SetResult
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    GuardRefused,
    LinkDown,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
)
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigEventKind

_DOCKING = (RigEventKind.DOCKED, RigEventKind.UNDOCKED)
_LOST = (LinkDown, RigLost)
_UNLOADING = (SendUnload, SendRelease)


@dataclass(frozen=True, slots=True)
class Breach:
    """An invariant that did not hold: its number on the design page, when, and in words."""

    invariant: int
    now_us: int
    detail: str


@dataclass(slots=True)
class _Newest:
    """The newest telemetry of one boot that can be trusted, and the newest word on the dock."""

    t_us: int
    arrived_us: int
    docked: bool
    docked_t_us: int

    def dock(self, t_us: int, *, docked: bool) -> None:
        """Take in a dock fact: an earlier one does not undo what is known, and "docked" must be later than that."""
        if t_us > self.docked_t_us or (t_us == self.docked_t_us and not docked):
            self.docked, self.docked_t_us = docked, t_us


class InvariantMonitor:
    """Feed it each event with the outputs it led to; `breaches` is empty as long as every invariant holds."""

    def __init__(self) -> None:
        self.breaches: list[Breach] = []
        self.loads_seen = 0
        self.sets_seen = 0
        self._now_us = 0
        self._identity: RigAnnounced | None = None
        self._newest: _Newest | None = None
        self._last_seq = -1
        self._nonces: set[str] = set()
        self._arm: SendArm | None = None
        self._order: Prescription | None = None
        self._started = False
        self._stopped = True
        self._fastest_n_per_s = 0.0
        self._held: tuple[float, ...] | None = None
        self._unloaded_us = 0
        self._bouts_begun = 0

    def step(self, event: Event, outputs: Iterable[Output]) -> None:
        """Judge one handled event and everything that came out of it.

        Args:
            event: the input.
            outputs: what it led to, in order.
        """
        self._now_us = max(self._now_us, event.now_us)
        self._take_in(event)
        for output in outputs:
            if isinstance(output, SendLoad):
                self._loaded(output)
            elif isinstance(output, SendArm):
                self._armed(output, event)
            elif isinstance(output, _UNLOADING):
                self._unloaded(output)
            elif isinstance(output, SetResult):
                self._stopped = True
            elif (
                isinstance(output, Decision)
                and output.reason is Reason.GUARD_REFUSED
                and not isinstance(event, GuardRefused)
            ):
                self._breach(9, f"the guard had to refuse a command: {output.text}")

    def _breach(self, invariant: int, detail: str) -> None:
        self.breaches.append(Breach(invariant, self._now_us, detail))

    # --- inputs --------------------------------------------------------------------------------------------------

    def _take_in(self, event: Event) -> None:
        if isinstance(event, Samples):
            self._take_samples(event)
        elif isinstance(event, _LOST):
            self._identity = None
            self._forget_telemetry()
        elif isinstance(event, RigAnnounced):
            self._take_identity(event)
        elif isinstance(event, Requested):
            self._take_request(event)
        elif isinstance(event, Acknowledged | RepetitionSeen):
            if self._summaries_only and self._arm is not None and event.nonce == self._arm.nonce:
                self._take_word(event)
        elif isinstance(event, RigReported):
            if event.kind in _DOCKING:
                self._take_docked(event.boot_id, event.t_us, event.kind is RigEventKind.DOCKED)
            else:
                self._stopped = True

    def _take_word(self, event: Acknowledged | RepetitionSeen) -> None:
        """What a rig without frames says of itself, for the set that is armed."""
        if isinstance(event, RepetitionSeen):
            self._take_docked(event.boot_id, event.t_end_us, event.docked)
        elif self._is_own(event.boot_id):
            self._take_newest(event.t_us, event.now_us, event.docked)

    def _forget_telemetry(self) -> None:
        """Another boot, or no link: nothing from before counts any more, and the set is over."""
        self._newest = None
        self._last_seq = -1
        self._stopped = True

    def _take_identity(self, event: RigAnnounced) -> None:
        if self._identity is None or self._identity.boot_id != event.boot_id:
            self._forget_telemetry()
        self._identity = event
        self._fastest_n_per_s = max(self._fastest_n_per_s, event.max_ramp_n_per_s)

    def _take_request(self, event: Requested) -> None:
        if event.action in (RequestAction.STOP, RequestAction.RELEASE):
            self._stopped = True
        elif event.action is RequestAction.START and self._arm is not None and event.arming == self._arm.nonce:
            self._started = True

    def _take_docked(self, boot_id: str, t_us: int, docked: bool) -> None:
        if self._newest is not None and self._is_own(boot_id) and t_us >= self._newest.t_us:
            self._newest.dock(t_us, docked=docked)

    @property
    def _summaries_only(self) -> bool:
        return self._identity is not None and self._identity.telemetry == "repetitions"

    def _is_own(self, boot_id: str) -> bool:
        return self._identity is not None and self._identity.boot_id == boot_id

    def _take_samples(self, event: Samples) -> None:
        if not self._is_own(event.boot_id) or event.seq <= self._last_seq or not event.t_us:
            return
        t_us, newest = event.t_us, self._newest
        identity = self._identity
        n, cables = len(t_us), identity.cables if identity is not None else 0
        has_force = identity is not None and identity.has_force
        # A sum of readings is finite only if every one of them is.
        total = sum(event.applied_n)
        for columns, needed in ((event.position_m, True), (event.velocity_m_s, False), (event.force_n, has_force)):
            if len(columns) != cables:
                return
            for column in columns:
                if column is not None:
                    if len(column) != n:
                        return
                    total += sum(column)
                elif needed:
                    return
        if len(event.applied_n) != cables or not math.isfinite(total):
            return
        if newest is not None and t_us[0] <= newest.t_us:
            return
        self._last_seq = event.seq
        self._take_newest(t_us[-1], event.now_us, event.docked)

    def _take_newest(self, t_us: int, arrived_us: int, docked: bool) -> None:
        known = self._newest
        if known is None:
            self._newest = _Newest(t_us, arrived_us, docked, t_us)
        elif t_us >= known.t_us:
            known.t_us, known.arrived_us = t_us, arrived_us
            if docked:
                known.dock(t_us, docked=True)
            else:
                known.docked, known.docked_t_us = False, max(t_us, known.docked_t_us)

    # --- outputs -------------------------------------------------------------------------------------------------

    def _armed(self, command: SendArm, event: Event) -> None:
        self.sets_seen += 1
        if not isinstance(event, Requested) or event.action is not RequestAction.ARM or event.prescription is None:
            self._breach(6, "armed although no person asked to arm in that moment")
            return
        if not event.cautions_shown:
            self._breach(6, "armed although the cautions were not shown")
        if command.nonce in self._nonces:
            self._breach(6, f"nonce {command.nonce} armed twice")
        self._nonces.add(command.nonce)
        self._arm, self._order = command, event.prescription
        self._started = self._stopped = False
        self._held, self._bouts_begun = None, 0
        identity = self._identity
        if identity is None or max(command.ceiling_n) > min(event.prescription.load.start_n, identity.max_load_n):
            self._breach(1, f"ceiling {command.ceiling_n} above the prescription or the rig")
        if min(command.floor_n) < event.prescription.load.floor_n:
            self._breach(3, f"armed floor {command.floor_n} under the prescription's")

    def _loaded(self, command: SendLoad) -> None:
        self.loads_seen += 1
        identity, arm, order = self._identity, self._arm, self._order
        if self._stopped or not self._started or identity is None or arm is None or order is None:
            self._breach(6, f"load {command.target_n} sent although stopped, not started or offline")
            return
        if command.nonce != arm.nonce:
            self._breach(6, f"load under nonce {command.nonce}; armed is {arm.nonce}")
        load, ramp_n_per_s = order.load, command.ramp_n_per_s
        for target_n in command.target_n:
            if not (target_n <= load.start_n and target_n <= identity.max_load_n):
                self._breach(1, f"load {target_n} above start {load.start_n} or rig {identity.max_load_n}")
            if not target_n >= load.floor_n:
                self._breach(3, f"load {target_n} under the floor {load.floor_n}")
        if not (0 < ramp_n_per_s <= load.ramp_n_per_s and ramp_n_per_s <= identity.max_ramp_n_per_s):
            self._breach(4, f"ramp {ramp_n_per_s} N/s; prescribed {load.ramp_n_per_s} N/s")
        self._check_telemetry(command, arm, order, identity)
        if self._held is None:
            self._check_return(command, order)
            self._bouts_begun += 1
        elif command.target_n != self._held and any(
            target > held for target, held in zip(command.target_n, self._held, strict=True)
        ):
            self._breach(2, f"load rose from {self._held} to {command.target_n} within a bout")
        self._held = command.target_n

    def _check_telemetry(self, command: SendLoad, arm: SendArm, order: Prescription, identity: RigAnnounced) -> None:
        newest = self._newest
        if newest is None:
            self._breach(5, "load sent without any telemetry")
            return
        if command.cites_t_us != newest.t_us:
            self._breach(5, f"load cites {command.cites_t_us}; newest good telemetry is of {newest.t_us}")
        frames = identity.telemetry == "frames"
        allowed_ms = order.safety.telemetry_timeout_ms if frames else arm.lease_ms
        if self._now_us - newest.arrived_us > allowed_ms * 1_000:
            self._breach(5, f"load rests on telemetry {(self._now_us - newest.arrived_us) / 1e3} ms old")

    def _check_return(self, command: SendLoad, order: Prescription) -> None:
        if self._newest is not None and not self._newest.docked:
            self._breach(2, f"load {command.target_n} came on with the handle out of the dock")
        if self._bouts_begun >= len(order.bouts):
            self._breach(2, "a load came back after the last bout")
            return
        if max(command.target_n) > order.bout_load_n(self._bouts_begun):
            self._breach(2, f"load {command.target_n} above the bout's {order.bout_load_n(self._bouts_begun)}")
        rested_s = (self._now_us - self._unloaded_us) / 1e6
        if self._bouts_begun > 0 and rested_s < order.bouts[self._bouts_begun].rest_before_s - 1e-6:
            self._breach(2, f"load came back after {rested_s} s of rest")

    def _unloaded(self, command: SendUnload | SendRelease) -> None:
        # The rig narrows an unload to its own ramp; ours is judged by the most that it ever announced.
        if isinstance(command, SendUnload) and not 0 < command.ramp_n_per_s <= self._fastest_n_per_s:
            self._breach(4, f"unload at {command.ramp_n_per_s} N/s")
        if self._held is not None:
            self._held = None
            self._unloaded_us = self._now_us
