"""The guard: the last gate before the wire, which knows nothing of the regulator and trusts nothing it says.

What lives here: the facts that the guard collects for itself from the inputs, and the rules that a command must meet.
What never does: deciding a load. The guard refuses; it never corrects, clips or proposes.

The idea. The regulator says what it wants; the guard says whether the prescription allows it. Both see the same
inputs and share only the message types, so a mistake in one of them is not a mistake in both. Every limit is derived
from the prescription that a person armed and from what the rig announced, never from what the regulator computed.

1. The safe commands, unload and release, pass in every state: no rule can stand between a lifter and no load.
2. A load passes only for the set that a person armed and started, while nothing has stopped it.
3. A load never rises except from a docked handle, at the start or after a programmed rest; a handle that is taken
   before the load stands gets no more of it.
4. A load rests on the newest good telemetry, and on nothing old.
5. Whatever was refused once shows a defect: after a refusal only the safe commands pass until a person arms again.

Read the rules in `_check_arm`, `_check_limits` and `_check_load`, top to bottom; each is one comparison and one
sentence.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from math import ceil, isfinite
from typing import Any, Final

from ebbset.controller.guard.telemetry import Telemetry, can_be
from ebbset.controller.messages.actions import Command, SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    LinkDown,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
)
from ebbset.models.contract.field_types import LATEST_US
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigEventKind

RATE_WINDOW_US: Final = 1_000_000
MOST_RENEWALS_PER_LEASE: Final = 8
"""Twice what a controller needs that renews four times a lease (common practice, no source)."""
CHANGES_PER_CABLE: Final = 10
"""Changes of target in one window; a lifter cannot stall more often than that (common practice, no source)."""
REORDERED_US: Final = 100_000
"""Inputs that waited in different queues may be handled this far out of the order in which they arrived."""
NONCES_REMEMBERED: Final = 1_000
STANDS_WITHIN_N: Final = 10.0
STANDS_WITHIN: Final = 0.06
"""A load that comes on stands once the rig applies it to within this part of it, or these newtons if they are more."""

_SAFE: Final = (SendUnload, SendRelease)
_LOST: Final = (LinkDown, RigLost)
_STOPPING: Final = frozenset(
    {
        RigEventKind.EMERGENCY_STOP,
        RigEventKind.OVER_TRAVEL,
        RigEventKind.OVER_SPEED,
        RigEventKind.LEASE_EXPIRED,
        RigEventKind.FAULT,
    }
)


@dataclass(frozen=True, slots=True)
class Refused:
    """A command that may not pass: the rule it breaks, and the field with its value and what is allowed."""

    rule: str
    detail: str


@dataclass(slots=True)
class _SetOnRecord:
    """What the guard holds against the commands of one set; made when its arm command passes."""

    prescription: Prescription
    nonce: str
    seq: int
    ceiling_n: tuple[float, ...]
    floor_n: tuple[float, ...]
    max_ramp_n_per_s: float
    lease_ms: int
    started_us: int | None = None
    bout: int = -1
    last_n: tuple[float, ...] | None = None
    stands: bool = False
    unloaded_us: int = 0


class Guard:
    """Watches every input, then says of every command whether it may pass. Performs no input or output."""

    __slots__ = ("_changes_us", "_loads_us", "_now_us", "_offer", "_rig", "_set", "_spent", "_stopped", "_telemetry")

    def __init__(self) -> None:
        self._rig: RigAnnounced | None = None
        self._now_us = 0
        self._offer: Requested | None = None
        self._set: _SetOnRecord | None = None
        self._stopped = ""
        self._spent: deque[str] = deque(maxlen=NONCES_REMEMBERED)
        self._loads_us: deque[int] = deque()
        self._changes_us: deque[int] = deque()
        self._telemetry = Telemetry()

    def observe(self, event: Event) -> None:
        """Take note of an input. Must see every input before the regulator handles it."""
        now_us = max(-LATEST_US, min(event.now_us, LATEST_US))
        if event.now_us != now_us:
            event = replace(event, now_us=now_us)
        self._now_us = max(now_us, self._now_us)
        # A request to arm may be answered at once or never: any later input withdraws it.
        self._offer = None
        if isinstance(event, Samples | Acknowledged | RepetitionSeen | RigReported):
            self._see_rig(event)
        elif isinstance(event, RigAnnounced):
            self._see_identity(event)
        elif isinstance(event, Requested):
            self._see_request(event)
        elif isinstance(event, _LOST):
            self._rig, self._telemetry = None, Telemetry()
            self._stop("the rig or the link was lost")

    def _stop(self, why: str) -> None:
        """Latch; the first reason stays. Only an arm command that passes clears it."""
        self._stopped = self._stopped or why

    def _see_rig(self, event: Samples | Acknowledged | RepetitionSeen | RigReported) -> None:
        rig, armed, telemetry = self._rig, self._set, self._telemetry
        if isinstance(event, RigReported) and event.kind in _STOPPING:
            # Whatever boot it names: a stop that is in doubt is a stop.
            self._stop(f"the rig reported {event.kind.value}")
            return
        if rig is None or event.boot_id != rig.boot_id:
            return
        if isinstance(event, RigReported):
            telemetry.see_dock(event.t_us, docked=event.kind is RigEventKind.DOCKED)
        elif isinstance(event, Samples):
            telemetry.see_samples(event, rig)
        elif armed is None or event.nonce != armed.nonce:
            # What answers or serves another set says nothing about this one.
            return
        elif isinstance(event, Acknowledged):
            telemetry.see_ack(event, rig)
        else:
            telemetry.see_repetition(event, rig)
        if armed is not None and not armed.stands and armed.last_n is not None:
            armed.stands = self._rises_to(armed.last_n) is None

    def _rises_to(self, target_n: tuple[float, ...]) -> int | None:
        """The first cable whose load is still on its way up to this target, as far as is known."""
        applied_n = self._telemetry.applied_n
        for cable, target in enumerate(target_n):
            if cable >= len(applied_n) or target - applied_n[cable] > max(STANDS_WITHIN_N, STANDS_WITHIN * target):
                return cable
        return None

    def _see_identity(self, event: RigAnnounced) -> None:
        if not can_be(event):
            self._rig, self._telemetry = None, Telemetry()
            self._stop("the rig announced what no rig can be")
            return
        before, self._rig = self._rig, event
        if before is None or before.boot_id != event.boot_id:
            self._telemetry = Telemetry()
            if before is not None:
                self._stop("the rig restarted")

    def _see_request(self, event: Requested) -> None:
        if event.action is RequestAction.ARM:
            self._offer = event
        elif event.action is RequestAction.START:
            armed = self._set
            if armed is not None and event.arming == armed.nonce and not self._stopped and armed.bout < 0:
                # A request that the regulator refused starts nothing; the last before the first load counts.
                armed.started_us = self._now_us
        else:
            self._stop(f"a person asked to {event.action.value}")

    # --- what may pass ------------------------------------------------------------------------------------------

    def check(self, command: Command, now_us: int) -> Refused | None:
        """None when the command may pass, else the rule that it breaks.

        A command that passes is on record as sent; a refusal latches the stop.

        Args:
            command: that the regulator wants to send.
            now_us: controller's clock, microseconds.
        """
        now_us = max(-LATEST_US, min(now_us, LATEST_US))
        behind_us = self._now_us - now_us
        now_us = self._now_us = max(now_us, self._now_us)
        if isinstance(command, _SAFE):
            self._record_safe(command, now_us)
            return None
        rig = self._rig
        if rig is None:
            refused: Refused | None = Refused("offline", "no rig is online; allowed: unload and release only")
        elif behind_us > REORDERED_US:
            # Nothing ages by a clock that went back, so nothing may rest on it.
            refused = Refused("clock", f"now_us went back by {behind_us}; allowed: at most {REORDERED_US}")
        elif _is_boundless(command):
            refused = Refused("figures", f"a whole number is beyond {LATEST_US}; allowed: none that is")
        elif isinstance(command, SendArm):
            refused = self._check_arm(command, rig)
        else:
            refused = self._check_load(command, rig, now_us)
        if refused is not None:
            self._stop(f"the guard refused a command ({refused.rule})")
        return refused

    def _record_safe(self, command: SendUnload | SendRelease, now_us: int) -> None:
        armed = self._set
        if armed is None:
            return
        if armed.last_n is not None:
            armed.last_n = None
            armed.unloaded_us = now_us
        if command.nonce == armed.nonce:
            armed.seq = max(armed.seq, min(command.seq, LATEST_US))
        if isinstance(command, SendRelease):
            self._stop("the set was released")

    def _check_arm(self, command: SendArm, rig: RigAnnounced) -> Refused | None:
        offer = self._offer
        if offer is None or offer.prescription is None or command.nonce != offer.fresh_nonce:
            return Refused("arm_not_asked", f"nonce {command.nonce!r}; allowed: the one drawn for a request to arm")
        if command.nonce in self._spent:
            return Refused("nonce_used", f"nonce {command.nonce!r} was armed before; allowed: one never used")
        if not offer.cautions_shown:
            return Refused("cautions_not_shown", "cautions_shown is false; allowed: true")
        if self._set is not None and not self._stopped:
            return Refused("set_open", f"set {self._set.nonce!r} has not ended; allowed: one set at a time")
        prescription = offer.prescription
        refused = self._check_limits(command, prescription, rig)
        if refused is not None:
            return refused
        self._offer = None
        self._spent.append(command.nonce)
        self._stopped = ""
        self._set = _SetOnRecord(
            prescription=prescription,
            nonce=command.nonce,
            seq=command.seq,
            ceiling_n=command.ceiling_n,
            floor_n=command.floor_n,
            max_ramp_n_per_s=command.max_ramp_n_per_s,
            lease_ms=command.lease_ms,
        )
        return None

    @staticmethod
    def _check_limits(command: SendArm, prescription: Prescription, rig: RigAnnounced) -> Refused | None:
        """The limits of the whole set are those of the prescription, within what the rig can do."""
        start_n, floor_n = prescription.load.start_n, prescription.load.floor_n
        if start_n > rig.max_load_n:
            return Refused("above_rig", f"load.start_n is {start_n} N; allowed: at most the rig's {rig.max_load_n} N")
        if command.ceiling_n != (start_n,) * rig.cables:
            return Refused(
                "ceiling", f"ceiling_n is {command.ceiling_n}; allowed: {start_n} N on {rig.cables} cable(s)"
            )
        if floor_n < rig.min_load_n:
            return Refused("below_rig", f"load.floor_n is {floor_n} N; allowed: at least the rig's {rig.min_load_n} N")
        if command.floor_n != (floor_n,) * rig.cables:
            return Refused("floor", f"floor_n is {command.floor_n}; allowed: {floor_n} N on each cable")
        ramp = min(prescription.load.ramp_n_per_s, rig.max_ramp_n_per_s)
        if not 0 < command.max_ramp_n_per_s <= ramp:
            return Refused("ramp", f"max_ramp_n_per_s is {command.max_ramp_n_per_s}; allowed: above 0, at most {ramp}")
        lease_ms = min(prescription.safety.lease_ms, rig.max_lease_ms)
        if not 0 < command.lease_ms <= lease_ms:
            return Refused("lease", f"lease_ms is {command.lease_ms}; allowed: above 0, at most {lease_ms}")
        return None

    def _check_load(self, command: SendLoad, rig: RigAnnounced, now_us: int) -> Refused | None:
        armed = self._set
        if armed is None or command.nonce != armed.nonce:
            return Refused("nonce", f"nonce {command.nonce!r}; allowed: {armed.nonce if armed else 'none is armed'!r}")
        if self._stopped:
            return Refused("stopped", f"{self._stopped}; allowed: unload and release until a person arms again")
        if armed.started_us is None:
            return Refused("not_started", "no person asked to start; allowed: a load after a request to start")
        if command.seq <= armed.seq:
            return Refused("sequence", f"seq is {command.seq}; allowed: above {armed.seq}")
        if not 0 < command.lease_ms <= min(armed.lease_ms, rig.max_lease_ms):
            return Refused("lease", f"lease_ms is {command.lease_ms}; allowed: above 0, at most {armed.lease_ms}")
        ramp = min(armed.max_ramp_n_per_s, rig.max_ramp_n_per_s)
        if not 0 < command.ramp_n_per_s <= ramp:
            return Refused("ramp", f"ramp_n_per_s is {command.ramp_n_per_s}; allowed: above 0, at most {ramp}")
        refused = (
            self._check_target(command, armed, rig)
            or self._check_telemetry(command, armed, rig, now_us)
            or self._check_rise(command, armed, now_us)
            or self._check_rate(command, armed, now_us)
        )
        if refused is not None:
            return refused
        if armed.last_n is None:
            armed.bout += 1
            armed.stands = False
        if command.target_n != armed.last_n:
            self._changes_us.append(now_us)
        self._loads_us.append(now_us)
        armed.seq = command.seq
        armed.last_n = command.target_n
        return None

    @staticmethod
    def _check_target(command: SendLoad, armed: _SetOnRecord, rig: RigAnnounced) -> Refused | None:
        """Every cable between its floor and its ceiling. Zero is not a load: it is sent as unload."""
        if len(command.target_n) != rig.cables or len(armed.ceiling_n) != rig.cables:
            return Refused("cables", f"target_n is {command.target_n}; allowed: one load for each of {rig.cables}")
        for cable, target_n in enumerate(command.target_n):
            if not isfinite(target_n):
                return Refused("finite", f"target_n[{cable}] is {target_n}; allowed: a finite load")
            high_n = min(armed.ceiling_n[cable], rig.max_load_n)
            if target_n > high_n:
                return Refused("ceiling", f"target_n[{cable}] is {target_n} N; allowed: at most {high_n} N")
            if target_n < armed.floor_n[cable]:
                return Refused("floor", f"target_n[{cable}] is {target_n} N; allowed: from {armed.floor_n[cable]} N")
        return None

    def _check_telemetry(
        self, command: SendLoad, armed: _SetOnRecord, rig: RigAnnounced, now_us: int
    ) -> Refused | None:
        known = self._telemetry
        if known.newest_t_us is None:
            return Refused("no_telemetry", "no good telemetry since the rig came online; allowed: a load after some")
        if command.cites_t_us != known.newest_t_us:
            return Refused("citation", f"cites_t_us is {command.cites_t_us}; allowed: {known.newest_t_us}")
        # A rig without frames is heard only when it acknowledges, so its sign of life lasts as long as its lease.
        frames = rig.telemetry == "frames"
        allowed_ms = armed.prescription.safety.telemetry_timeout_ms if frames else armed.lease_ms
        age_us = now_us - known.arrived_us
        if age_us > allowed_ms * 1_000:
            return Refused("stale", f"newest telemetry is {age_us / 1_000} ms old; allowed: at most {allowed_ms} ms")
        return None

    def _check_rise(self, command: SendLoad, armed: _SetOnRecord, now_us: int) -> Refused | None:
        """Within a bout only down; up from nothing only in the dock, after the rest and before the time is over."""
        docked = self._telemetry.docked
        if armed.last_n is not None:
            for cable, (target_n, last_n) in enumerate(zip(command.target_n, armed.last_n, strict=True)):
                if target_n > last_n:
                    return Refused("rise", f"target_n[{cable}] is {target_n} N; allowed: at most {last_n} N, the last")
            if not docked and not armed.stands and (rising := self._rises_to(command.target_n)) is not None:
                return Refused(
                    "taken_early",
                    f"target_n[{rising}] is {command.target_n[rising]} N and the handle is not docked; allowed: no "
                    f"load above the applied {self._telemetry.applied_n} N before it has stood in the dock",
                )
            return None
        bouts, upcoming = armed.prescription.bouts, armed.bout + 1
        if not docked:
            return Refused("undocked", "the handle is not docked; allowed: a load comes on only in the dock")
        if upcoming >= len(bouts):
            return Refused("no_bout", f"all {len(bouts)} bout(s) were begun; allowed: no load after the last")
        load_n = armed.prescription.bout_load_n(upcoming)
        if max(command.target_n) > load_n:
            return Refused("bout_load", f"target_n is {command.target_n}; allowed: at most {load_n} N in this bout")
        most_s = armed.prescription.stop.max_duration_s
        if armed.started_us is not None and now_us - armed.started_us > most_s * 1e6:
            return Refused("duration", f"started {(now_us - armed.started_us) / 1e6} s ago; allowed: {most_s} s")
        rest_s = bouts[upcoming].rest_before_s
        if now_us - armed.unloaded_us < ceil(rest_s * 1e6):
            return Refused("rest", f"unloaded {(now_us - armed.unloaded_us) / 1e6} s ago; allowed: after {rest_s} s")
        return None

    def _check_rate(self, command: SendLoad, armed: _SetOnRecord, now_us: int) -> Refused | None:
        """Counts over one second: a set needs neither very many renewals nor very many changes of load."""
        for times in (self._loads_us, self._changes_us):
            while times and times[0] <= now_us - RATE_WINDOW_US:
                times.popleft()
        changes = CHANGES_PER_CABLE * len(armed.ceiling_n)
        loads = changes + MOST_RENEWALS_PER_LEASE * RATE_WINDOW_US // (command.lease_ms * 1_000)
        if len(self._loads_us) >= loads:
            return Refused("rate", f"{len(self._loads_us)} load commands within a second; allowed: {loads}")
        if command.target_n != armed.last_n and len(self._changes_us) >= changes:
            return Refused("rate", f"{len(self._changes_us)} changes within a second; allowed: {changes}")
        return None


def _is_boundless(command: SendArm | SendLoad) -> bool:
    """It holds a whole number that can be neither written down nor turned into a float."""
    # Whatever they are declared as: a compiled core turns what is declared a float into one.
    given: Any = command
    figures: list[Any] = [given.seq, given.lease_ms]
    if isinstance(command, SendLoad):
        figures += [given.cites_t_us, given.ramp_n_per_s, *given.target_n]
    else:
        figures += [given.max_ramp_n_per_s, *given.ceiling_n, *given.floor_n]
    return any(isinstance(figure, int) and not -LATEST_US <= figure <= LATEST_US for figure in figures)
