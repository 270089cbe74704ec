"""The firmware of a correct rig by the wire contract: judge each command, hold the lease, unload by itself.

Pure: no clock, socket or motor. Whoever owns those calls `RigFirmware.handle_command` for a command and
`RigFirmware.tick` often (at least each frame, and at `deadline_us`), and drives the motors to ``target_n`` at
``ramp_n_per_s``. Nothing here knows the controller's reasons, the lifter or the network.

The rules for judging a command are in `command_rules`. Two decisions are ours where the contract leaves room:

* A judged sequence number counts as used even when the command was refused, so that a refused command cannot come
  back later and be accepted.
* The rig's own unloading ramp, used when a lease runs out, is steeper than the ramps that most sets are armed with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.simulators.rig.command_rules import (
    ARM,
    LOAD,
    UNLOAD,
    AnyCommand,
    Binding,
    FirmwareSettings,
    Situation,
    objections,
)
from ebbset.simulators.rig.defects import LATE_LEASES, OVERLOOKED, SLOW_LAPSE, Defect

REMEMBERED_NONCES: Final = 4096
"""How many spent nonces a rig remembers; enough for years of sets between two restarts, and bounded."""
_RISING_N: Final = 1.0
_STEP_RAMP_N_PER_S: Final = 1e6


@dataclass(slots=True)
class Reply:
    """The content of an acknowledgement."""

    nonce: str
    command_seq: int
    t_us: int
    accepted: bool
    refusal: Refusal | None
    applied_n: tuple[float, ...]
    docked: bool


@dataclass(frozen=True, slots=True)
class Notice:
    """The content of a rig event."""

    t_us: int
    kind: RigEventKind
    detail: str = ""


class RigFirmware:
    """One boot of one rig.

    Args:
        settings: what the rig can do.
        boot_id: drawn anew at each boot.
        defect: the one thing it does wrong; none for a good rig.
    """

    def __init__(self, settings: FirmwareSettings, *, boot_id: str, defect: Defect | None = None) -> None:
        self.settings = settings
        self.boot_id = boot_id
        self.defect = defect
        self.target_n: tuple[float, ...] = (0.0,) * settings.cables
        self.ramp_n_per_s = settings.unload_ramp_n_per_s
        self.stopped = False
        self._bound: Binding | None = None
        self._spent: dict[str, None] = {}
        self._docked: bool | None = None
        self._over: set[RigEventKind] = set()
        self._docked_stuck = defect is Defect.DOCKED_STUCK
        self._overlooked = OVERLOOKED.get(defect) if defect is not None else None
        self._before_stop_n = self.target_n
        self._locked = False

    # --- what the outside may read -------------------------------------------------------------------------------

    @property
    def nonce(self) -> str | None:
        """Nonce of the set that the rig is bound to."""
        return self._bound.nonce if self._bound is not None else None

    @property
    def deadline_us(self) -> int | None:
        """Rig time at which the lease runs out, or None while nothing is bound."""
        bound, defect = self._bound, self.defect
        if bound is None:
            return None
        if defect is not None:
            if defect is Defect.LEASE_NEVER_EXPIRES:
                return None
            if defect is Defect.LEASE_EXPIRES_LATE:
                return bound.deadline_us + (LATE_LEASES - 1) * bound.lease_us
            if defect is Defect.LEASE_STARTS_AT_LOAD and not bound.loaded:
                return None
        return bound.deadline_us

    # --- commands ------------------------------------------------------------------------------------------------

    def handle_command(self, command: AnyCommand, *, t_us: int, docked: bool, applied_n: tuple[float, ...]) -> Reply:
        """Judge one command at rig time ``t_us`` and obey it or not.

        Args:
            command: any command of the contract.
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, after the rig's own ramp, N per cable.
        """
        docked = docked or self._docked_stuck
        refusal: Refusal | None = None
        bound = self._bound
        situation = Situation(
            settings=self.settings,
            bound=bound,
            limits=bound or self._limits_of_its_own(command.nonce, t_us),
            spent=self._spent,
            stopped=self.stopped,
            held_n=self.target_n,
            docked=docked,
            t_us=t_us,
            defect=self.defect,
        )
        for objection in objections(command, situation):
            if objection is not self._overlooked:
                refusal = objection
                break
        if refusal is None and self._locked and isinstance(command, ARM):
            refusal = Refusal.FOREIGN_NONCE
        newer = bound is not None and command.nonce == bound.nonce and command.seq > bound.last_seq
        if bound is not None and newer:
            bound.last_seq = command.seq
        if refusal is None:
            self._obey(command, t_us, newer=newer)
        return Reply(command.nonce, command.seq, t_us, refusal is None, refusal, applied_n, docked)

    def _limits_of_its_own(self, nonce: str, t_us: int) -> Binding:
        own = self.settings
        return Binding(
            nonce=nonce,
            last_seq=-1,
            ceiling_n=(own.max_load_n,) * own.cables,
            floor_n=(own.min_load_n,) * own.cables,
            max_ramp_n_per_s=own.max_ramp_n_per_s,
            lease_us=own.max_lease_ms * 1_000,
            deadline_us=t_us + own.max_lease_ms * 1_000,
        )

    def _obey(self, command: AnyCommand, t_us: int, *, newer: bool) -> None:
        own = self.settings
        if isinstance(command, LOAD):
            if self._bound is None:
                self._bound = self._limits_of_its_own(command.nonce, t_us)
            self._bound.deadline_us = t_us + command.lease_ms * 1_000
            self._bound.loaded = True
            # a rig that overlooks a wrong number of targets takes the first ones and keeps the rest
            told_n = command.target_n
            self.target_n = told_n if len(told_n) == own.cables else (*told_n, *self.target_n)[: own.cables]
            self.ramp_n_per_s = (
                own.max_ramp_n_per_s
                if self.defect is Defect.IGNORES_RAMP
                else min(command.ramp_n_per_s, own.max_ramp_n_per_s)
            )
        elif isinstance(command, UNLOAD):
            self._unload(min(command.ramp_n_per_s, own.max_ramp_n_per_s))
            self._locked = False
            if self._bound is not None and newer and self._unload_renews(self._bound):
                self._bound.deadline_us = t_us + self._bound.lease_us
        elif isinstance(command, ARM):
            self._bound = Binding(
                nonce=command.nonce,
                last_seq=command.seq,
                ceiling_n=command.ceiling_n,
                floor_n=command.floor_n,
                max_ramp_n_per_s=command.max_ramp_n_per_s,
                lease_us=command.lease_ms * 1_000,
                deadline_us=t_us + command.lease_ms * 1_000,
            )
            if self.defect is Defect.ARMING_LOADS:
                self.target_n = command.ceiling_n
        elif command.nonce == self.nonce:
            self._lapse(forget=self.defect is not Defect.RELEASE_FORGETS_NOTHING)

    def _unload_renews(self, bound: Binding) -> bool:
        return bound.loaded or self.defect is not Defect.UNLOAD_RENEWS_NOTHING

    # --- what the rig does by itself -----------------------------------------------------------------------------

    def tick(
        self,
        *,
        t_us: int,
        docked: bool,
        applied_n: tuple[float, ...],
        position_m: tuple[float, ...],
        velocity_m_s: tuple[float, ...],
    ) -> tuple[Notice, ...]:
        """Look at lease, dock, travel and speed.

        Args:
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, N per cable.
            position_m: cable paid out, the furthest since the last call.
            velocity_m_s: handle velocity, the fastest since the last call.

        Returns:
            What happened, oldest first.
        """
        notices: list[Notice] = []
        docked = docked or self._docked_stuck
        if docked is not self._docked:
            if self._docked is not None:
                notices.append(Notice(t_us, RigEventKind.DOCKED if docked else RigEventKind.UNDOCKED))
                if not docked and self._rising(applied_n) and self.defect is not Defect.RISES_WHEN_TAKEN:
                    self._lapse()
                    notices.append(Notice(t_us, RigEventKind.FAULT, "the handle left the dock while the load rose"))
            self._docked = docked
        deadline_us = self.deadline_us
        if deadline_us is not None and t_us >= deadline_us:
            self._lapse_by_time()
            if self.defect is not Defect.LEASE_EXPIRY_NOT_REPORTED:
                notices.append(Notice(t_us, RigEventKind.LEASE_EXPIRED))
        own = self.settings
        travel_m, speed_m_s = max(position_m), max(map(abs, velocity_m_s))
        if travel_m > own.travel_limit_m or speed_m_s > own.speed_limit_m_s or self._over:
            self._watch(notices, t_us, RigEventKind.OVER_TRAVEL, travel_m, own.travel_limit_m, "m")
            self._watch(notices, t_us, RigEventKind.OVER_SPEED, speed_m_s, own.speed_limit_m_s, "m/s")
        return tuple(notices) if notices else ()

    def _lapse_by_time(self) -> None:
        """The lease has run out."""
        bound = self._bound
        self._lapse()
        if bound is not None and self.defect is Defect.LAPSES_SLOWLY:
            self.ramp_n_per_s = bound.max_ramp_n_per_s / SLOW_LAPSE
        if bound is not None and self.defect is Defect.LOCKED_AFTER_LAPSE:
            self._locked = not bound.loaded

    def _rising(self, applied_n: tuple[float, ...]) -> bool:
        return any(target > applied + _RISING_N for target, applied in zip(self.target_n, applied_n, strict=True))

    def _watch(
        self, notices: list[Notice], t_us: int, kind: RigEventKind, value: float, limit: float, unit: str
    ) -> None:
        """Unload and report when a limit is passed; once, until the value is back inside."""
        if value <= limit:
            self._over.discard(kind)
        elif kind not in self._over:
            self._over.add(kind)
            self._lapse()
            notices.append(Notice(t_us, kind, f"{value:.2f} {unit}; allowed: at most {limit:g} {unit}"))

    def press_emergency_stop(self, t_us: int) -> tuple[Notice, ...]:
        """A person presses the stop at the rig: unload, spend the nonce, refuse until a person resets it."""
        self._before_stop_n = self.target_n
        if self.defect is not Defect.STOP_NOT_LATCHED:
            self.stopped = True
        if self.defect is not Defect.STOP_KEEPS_LOAD:
            self._lapse()
        if self.defect is Defect.STOP_NOT_REPORTED:
            return ()
        return (Notice(t_us, RigEventKind.EMERGENCY_STOP),)

    def reset_emergency_stop(self) -> None:
        """A person at the rig releases the stop. That loads nothing; a new arming is needed."""
        self.stopped = False
        if self.defect is Defect.RESET_LOADS:
            self.target_n = self._before_stop_n

    def rebooted(self, boot_id: str) -> RigFirmware:
        """The next boot: unbound, unloaded, with nothing remembered."""
        if self.defect is Defect.BOOT_ID_NEVER_CHANGES:
            boot_id = self.boot_id
        fresh = RigFirmware(self.settings, boot_id=boot_id, defect=self.defect)
        if self.defect is Defect.REBOOT_LOADS:
            fresh.target_n = self.target_n
        return fresh

    def _unload(self, ramp_n_per_s: float) -> None:
        unloading = max(self.target_n) <= 0.0
        self.target_n = (0.0,) * self.settings.cables
        if self.defect is Defect.STEPS_TO_ZERO:
            self.ramp_n_per_s = _STEP_RAMP_N_PER_S
        elif not unloading or self.defect is Defect.UNLOAD_SLOWS_DOWN:
            self.ramp_n_per_s = ramp_n_per_s
        else:
            self.ramp_n_per_s = max(ramp_n_per_s, self.ramp_n_per_s)

    def _lapse(self, *, forget: bool = True) -> None:
        """Unload at the rig's own ramp, or the armed one if that is steeper, and end the binding for good."""
        own_n_per_s = self.settings.unload_ramp_n_per_s
        self._unload(own_n_per_s if self._bound is None else max(own_n_per_s, self._bound.max_ramp_n_per_s))
        if self._bound is not None and forget:
            self._spent[self._bound.nonce] = None
            if len(self._spent) > REMEMBERED_NONCES:
                del self._spent[next(iter(self._spent))]
            self._bound = None
