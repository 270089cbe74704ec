"""The software of a simulated rig: the core that every real rig can use, and what it may do wrong.

The good rig is `RigCore`, unchanged. Each defect changes one of its steps; without a defect none is changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Final

from ebbset.controller.messages.actions import Command
from ebbset.controller.messages.codec import WIRE_FORMS
from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, UnloadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig import command_rules
from ebbset.rig.command_rules import Situation
from ebbset.rig.description import RigLimits
from ebbset.rig.rig_core import Notice, Reply, RigCore
from ebbset.simulators.rig.defects import LATE_LEASES, OVERLOOKED, SLOW_LAPSE, Defect

_STEP_RAMP_N_PER_S: Final = 1e6
_FORMS: Final = {
    kind: (message, tuple(field.name for field in fields(kind) if field.name in message.model_fields))
    for kind, (_, message) in WIRE_FORMS.items()
}
"""For each value of the controller the message on the wire, and the fields that both have."""
AnyCommand = Command | command_rules.AnyCommand
"""The controller's values and the wire's messages have the same fields, so either may be given."""


def as_message(command: AnyCommand) -> command_rules.AnyCommand:
    """The message on the wire that a command of the controller means; not checked, since rigs are tested with worse."""
    form = _FORMS.get(type(command))
    if form is None:
        return command  # type: ignore[return-value]  # whatever is no value of the controller is a message
    message, names = form
    values = {name: getattr(command, name) for name in names}
    return message.model_construct(**values)  # type: ignore[return-value]  # the messages of commands are commands


class RigFirmware(RigCore):
    """One boot of one simulated rig.

    Args:
        limits: what the rig can do.
        boot_id: drawn anew at each boot.
        defect: the one thing it does wrong; none for a good rig.
    """

    def __init__(self, limits: RigLimits, *, boot_id: str, defect: Defect | None = None) -> None:
        super().__init__(limits, boot_id=boot_id)
        self.defect = defect
        self._docked_stuck = defect is Defect.DOCKED_STUCK
        self._overlooked = OVERLOOKED.get(defect) if defect is not None else None
        self._loaded = False
        self._before_stop_n = self.target_n
        self._locked = False

    @property
    def deadline_us(self) -> int | None:
        """Rig time at which the lease runs out, or None while nothing is bound, or nothing will end."""
        bound, defect = self._bound, self.defect
        if bound is None or defect is None:
            return super().deadline_us
        if defect is Defect.LEASE_NEVER_EXPIRES or (defect is Defect.LEASE_STARTS_AT_LOAD and not self._loaded):
            return None
        return bound.deadline_us + ((LATE_LEASES - 1) * bound.lease_us if defect is Defect.LEASE_EXPIRES_LATE else 0)

    # --- commands ------------------------------------------------------------------------------------------------

    def handle_command(self, command: AnyCommand, *, t_us: int, docked: bool, applied_n: tuple[float, ...]) -> Reply:
        """Judge one command at rig time ``t_us`` and obey it or not.

        Args:
            command: of the contract or of the controller.
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, after the rig's own ramp, N per cable.
        """
        docked = docked or self._docked_stuck
        return super().handle_command(as_message(command), t_us=t_us, docked=docked, applied_n=applied_n)

    def _objection(self, command: command_rules.AnyCommand, situation: Situation) -> Refusal | None:
        if self.defect is None:
            return super()._objection(command, situation)
        return next(self._objections(command, situation), None)

    def _objections(self, command: command_rules.AnyCommand, now: Situation) -> Iterator[Refusal]:
        bound = now.bound
        if isinstance(command, UnloadCommand):
            if self.defect is Defect.UNLOAD_NEEDS_NONCE and (bound is None or command.nonce != bound.nonce):
                yield Refusal.FOREIGN_NONCE
            if self.defect is Defect.UNLOAD_NEEDS_SEQUENCE and bound is not None and command.seq <= bound.last_seq:
                yield Refusal.REPEATED_SEQUENCE
        for objection in command_rules.objections(command, now):
            if objection is not self._overlooked:
                yield objection
        if self._locked and isinstance(command, ArmCommand):
            yield Refusal.FOREIGN_NONCE

    def _obey(self, command: command_rules.AnyCommand, t_us: int, *, newer: bool) -> None:
        if isinstance(command, UnloadCommand):
            self._locked = False
        super()._obey(command, t_us, newer=newer)

    def _hold(self, command: LoadCommand, t_us: int) -> None:
        cables, told_n = self.limits.cables, command.target_n
        if self._bound is None:  # accepted from nobody
            self._bound = self._limits_of_its_own(command.nonce, t_us)
        if len(told_n) != cables:
            # A rig that overlooks a wrong number of targets takes the first ones and keeps the rest.
            command = command.model_copy(update={"target_n": (*told_n, *self.target_n)[:cables]})
        self._loaded = True
        super()._hold(command, t_us)
        if self.defect is Defect.IGNORES_RAMP:
            self.ramp_n_per_s = self.limits.max_ramp_n_per_s

    def _renew_by_unload(self, t_us: int) -> None:
        if self._loaded or self.defect is not Defect.UNLOAD_RENEWS_NOTHING:
            super()._renew_by_unload(t_us)

    def _bind(self, command: ArmCommand, t_us: int) -> None:
        self._loaded = False
        super()._bind(command, t_us)
        if self.defect is Defect.ARMING_LOADS:
            self.target_n = command.ceiling_n

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
        """Look at lease, dock, travel and speed; see `RigCore.tick`.

        Args:
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, N per cable.
            position_m: cable paid out, the furthest since the last call.
            velocity_m_s: handle velocity, the fastest since the last call.
        """
        notices = super().tick(
            t_us=t_us,
            docked=docked or self._docked_stuck,
            applied_n=applied_n,
            position_m=position_m,
            velocity_m_s=velocity_m_s,
        )
        if self.defect is Defect.LEASE_EXPIRY_NOT_REPORTED:
            return tuple(notice for notice in notices if notice.kind is not RigEventKind.LEASE_EXPIRED)
        return notices

    def _rising(self, applied_n: tuple[float, ...]) -> bool:
        return self.defect is not Defect.RISES_WHEN_TAKEN and super()._rising(applied_n)

    def _lapse_by_time(self) -> None:
        bound = self._bound
        super()._lapse_by_time()
        if bound is not None and self.defect is Defect.LAPSES_SLOWLY:
            self.ramp_n_per_s = bound.max_ramp_n_per_s / SLOW_LAPSE
        if bound is not None and self.defect is Defect.LOCKED_AFTER_LAPSE:
            self._locked = not self._loaded

    def _release(self) -> None:
        bound = self._bound
        super()._release()
        if self.defect is Defect.RELEASE_FORGETS_NOTHING and bound is not None:
            self._bound = bound
            del self._spent[bound.nonce]

    def press_emergency_stop(self, t_us: int) -> tuple[Notice, ...]:
        """A person presses the stop at the rig; see `RigCore.press_emergency_stop`."""
        self._before_stop_n = self.target_n
        if self.defect is Defect.STOP_KEEPS_LOAD:
            self.stopped = True
            return (Notice(t_us, RigEventKind.EMERGENCY_STOP),)
        notices = super().press_emergency_stop(t_us)
        if self.defect is Defect.STOP_NOT_LATCHED:
            self.stopped = False
        return () if self.defect is Defect.STOP_NOT_REPORTED else notices

    def reset_emergency_stop(self) -> None:
        """A person at the rig releases the stop; see `RigCore.reset_emergency_stop`."""
        super().reset_emergency_stop()
        if self.defect is Defect.RESET_LOADS:
            self.target_n = self._before_stop_n

    def rebooted(self, boot_id: str) -> RigFirmware:
        """The next boot: unbound, unloaded, with nothing remembered."""
        if self.defect is Defect.BOOT_ID_NEVER_CHANGES:
            boot_id = self.boot_id
        fresh = RigFirmware(self.limits, boot_id=boot_id, defect=self.defect)
        if self.defect is Defect.REBOOT_LOADS:
            fresh.target_n = self.target_n
        return fresh

    def _unload(self, ramp_n_per_s: float) -> None:
        super()._unload(ramp_n_per_s)
        if self.defect is Defect.STEPS_TO_ZERO:
            self.ramp_n_per_s = _STEP_RAMP_N_PER_S
        elif self.defect is Defect.UNLOAD_SLOWS_DOWN:
            self.ramp_n_per_s = ramp_n_per_s
