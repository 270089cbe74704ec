"""The state machine of a correct rig by the wire contract: judge each command, hold the lease, unload by itself.

Pure: no clock, socket or motor. Whoever owns those calls `RigCore.handle_command` for a command and `RigCore.tick`
often (at least each frame, and at `deadline_us`), and drives the motors to ``target_n`` at ``ramp_n_per_s``. Nothing
here knows the controller's reasons, the lifter or the network.

The rules for judging a command are in `command_rules`. Three decisions are ours where the contract leaves room:

* A judged sequence number counts as used even when the command was refused, so that a refused command cannot come
  back later and be accepted.
* The rig's own unloading ramp, used when a lease runs out, is steeper than the ramps that most sets are armed with.
* A fault of the rig itself latches like an emergency stop; only a restart ends it.

The steps of `RigCore` are methods of their own, so that a virtual rig can do exactly one of them wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, UnloadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig.command_rules import AnyCommand, Binding, Situation, objections
from ebbset.rig.description import RigLimits

REMEMBERED_NONCES: Final = 4096
"""How many spent nonces a rig remembers; enough for years of sets between two restarts, and bounded."""
_RISING_N: Final = 1.0


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


class RigCore:
    """One boot of one rig.

    Args:
        limits: what the rig can do.
        boot_id: drawn anew at each boot.

    Attributes:
        target_n: what the motors are to be driven to, N per cable.
        ramp_n_per_s: the ramp at which they get there.
        stopped: an emergency stop or a fault is latched.
    """

    def __init__(self, limits: RigLimits, *, boot_id: str) -> None:
        self.limits = limits
        self.boot_id = boot_id
        self.target_n: tuple[float, ...] = (0.0,) * limits.cables
        self.ramp_n_per_s = limits.unload_ramp_n_per_s
        self.stopped = False
        self._bound: Binding | None = None
        self._spent: dict[str, None] = {}
        self._docked: bool | None = None
        self._over: set[RigEventKind] = set()

    # --- what the outside may read -------------------------------------------------------------------------------

    @property
    def nonce(self) -> str | None:
        """Nonce of the set that the rig is bound to."""
        return self._bound.nonce if self._bound is not None else None

    @property
    def deadline_us(self) -> int | None:
        """Rig time at which the lease runs out, or None while nothing is bound."""
        return self._bound.deadline_us if self._bound is not None else None

    # --- commands ------------------------------------------------------------------------------------------------

    def handle_command(self, command: AnyCommand, *, t_us: int, docked: bool, applied_n: tuple[float, ...]) -> Reply:
        """Judge one command at rig time ``t_us`` and obey it or not.

        Args:
            command: any command of the contract.
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, after the rig's own ramp, N per cable.
        """
        bound = self._bound
        situation = Situation(
            own=self.limits,
            bound=bound,
            limits=bound or self._limits_of_its_own(command.nonce, t_us),
            spent=self._spent,
            stopped=self.stopped,
            held_n=self.target_n,
            docked=docked,
            t_us=t_us,
        )
        refusal = self._objection(command, situation)
        newer = bound is not None and command.nonce == bound.nonce and command.seq > bound.last_seq
        if bound is not None and newer:
            bound.last_seq = command.seq
        if refusal is None:
            self._obey(command, t_us, newer=newer)
        return Reply(command.nonce, command.seq, t_us, refusal is None, refusal, applied_n, docked)

    def _objection(self, command: AnyCommand, situation: Situation) -> Refusal | None:
        return next(objections(command, situation), None)

    def _limits_of_its_own(self, nonce: str, t_us: int) -> Binding:
        own = self.limits
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
        if isinstance(command, LoadCommand):
            self._hold(command, t_us)
        elif isinstance(command, UnloadCommand):
            self._unload(min(command.ramp_n_per_s, self.limits.max_ramp_n_per_s))
            if newer:
                self._renew_by_unload(t_us)
        elif isinstance(command, ArmCommand):
            self._bind(command, t_us)
        elif command.nonce == self.nonce:
            self._release()

    def _hold(self, command: LoadCommand, t_us: int) -> None:
        assert self._bound is not None  # a load without a binding is refused as foreign_nonce
        self._bound.deadline_us = t_us + command.lease_ms * 1_000
        self.target_n = command.target_n
        self.ramp_n_per_s = min(command.ramp_n_per_s, self.limits.max_ramp_n_per_s)

    def _renew_by_unload(self, t_us: int) -> None:
        if self._bound is not None:
            self._bound.deadline_us = t_us + self._bound.lease_us

    def _bind(self, command: ArmCommand, t_us: int) -> None:
        self._bound = Binding(
            nonce=command.nonce,
            last_seq=command.seq,
            ceiling_n=command.ceiling_n,
            floor_n=command.floor_n,
            max_ramp_n_per_s=command.max_ramp_n_per_s,
            lease_us=command.lease_ms * 1_000,
            deadline_us=t_us + command.lease_ms * 1_000,
        )

    def _release(self) -> None:
        self._lapse()

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
        if docked is not self._docked:
            if self._docked is not None:
                notices.append(Notice(t_us, RigEventKind.DOCKED if docked else RigEventKind.UNDOCKED))
                if not docked and self._rising(applied_n):
                    self._lapse()
                    notices.append(Notice(t_us, RigEventKind.FAULT, "the handle left the dock while the load rose"))
            self._docked = docked
        deadline_us = self.deadline_us
        if deadline_us is not None and t_us >= deadline_us:
            self._lapse_by_time()
            notices.append(Notice(t_us, RigEventKind.LEASE_EXPIRED))
        own = self.limits
        travel_m, speed_m_s = max(position_m), max(map(abs, velocity_m_s))
        if travel_m > own.travel_limit_m or speed_m_s > own.speed_limit_m_s or self._over:
            self._watch(notices, t_us, RigEventKind.OVER_TRAVEL, travel_m, own.travel_limit_m, "m")
            self._watch(notices, t_us, RigEventKind.OVER_SPEED, speed_m_s, own.speed_limit_m_s, "m/s")
        return tuple(notices) if notices else ()

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
        self.stopped = True
        self._lapse()
        return (Notice(t_us, RigEventKind.EMERGENCY_STOP),)

    def reset_emergency_stop(self) -> None:
        """A person at the rig releases the stop. That loads nothing; a new arming is needed."""
        self.stopped = False

    def report_fault(self, t_us: int, detail: str) -> tuple[Notice, ...]:
        """The rig finds a fault in itself: unload, spend the nonce, refuse everything until the next boot.

        Args:
            t_us: rig clock now.
            detail: what is wrong, for people.
        """
        self.stopped = True
        self._lapse()
        return (Notice(t_us, RigEventKind.FAULT, detail),)

    def stand_down(self) -> None:
        """The rig is about to be switched off: unload and end the binding."""
        self._lapse()

    def _unload(self, ramp_n_per_s: float) -> None:
        unloading = max(self.target_n) <= 0.0
        self.target_n = (0.0,) * self.limits.cables
        # A later command never makes an unloading slower.
        self.ramp_n_per_s = max(ramp_n_per_s, self.ramp_n_per_s) if unloading else ramp_n_per_s

    def _lapse_by_time(self) -> None:
        """The lease has run out."""
        self._lapse()

    def _lapse(self) -> None:
        """Unload at the rig's own ramp, or the armed one if that is steeper, and end the binding for good."""
        own_n_per_s, bound = self.limits.unload_ramp_n_per_s, self._bound
        self._unload(own_n_per_s if bound is None else max(own_n_per_s, bound.max_ramp_n_per_s))
        if bound is not None:
            self._spent[bound.nonce] = None
            if len(self._spent) > REMEMBERED_NONCES:
                del self._spent[next(iter(self._spent))]
            self._bound = None
