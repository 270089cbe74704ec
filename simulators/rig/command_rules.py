"""The rules by which a good rig judges a command, in the order in which they are tried.

Pure functions of one command and of what the rig knows at that moment; `firmware` owns that knowledge and obeys.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from dataclasses import dataclass
from typing import Final

from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease, SendUnload
from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand, UnloadCommand
from ebbset.models.contract.rig_messages import Refusal
from ebbset.simulators.rig.defects import Defect

Arm = SendArm | ArmCommand
Load = SendLoad | LoadCommand
Unload = SendUnload | UnloadCommand
Release = SendRelease | ReleaseCommand
AnyCommand = Arm | Load | Unload | Release
"""The core's values and the wire's messages have the same fields, so either may be given."""
ARM: Final = (SendArm, ArmCommand)
LOAD: Final = (SendLoad, LoadCommand)
UNLOAD: Final = (SendUnload, UnloadCommand)
RELEASE: Final = (SendRelease, ReleaseCommand)

_LOAD_TOLERANCE_N: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareSettings:
    """What this rig can do and where it draws its own lines.

    Attributes:
        cables: 1 or 2.
        max_load_n: greatest load per cable.
        min_load_n: smallest load above unloaded that it holds.
        max_ramp_n_per_s: steepest ramp it takes.
        max_lease_ms: longest lease it grants.
        unload_ramp_n_per_s: ramp at which it unloads by itself.
        travel_limit_m: cable paid out beyond which it unloads.
        speed_limit_m_s: handle speed, either way, beyond which it unloads; above the peaks of light fast
            repetitions of 2 to 2.5 m/s (from memory).
    """

    cables: int = 1
    max_load_n: float = 1500.0
    min_load_n: float = 20.0
    max_ramp_n_per_s: float = 2000.0
    max_lease_ms: int = 1000
    unload_ramp_n_per_s: float = 1000.0
    travel_limit_m: float = 2.5
    speed_limit_m_s: float = 4.0


@dataclass(slots=True)
class Binding:
    """The one set that the rig serves, and the limits it was armed with."""

    nonce: str
    last_seq: int
    ceiling_n: tuple[float, ...]
    floor_n: tuple[float, ...]
    max_ramp_n_per_s: float
    lease_us: int
    deadline_us: int
    loaded: bool = False


@dataclass(slots=True, kw_only=True)
class Situation:
    """What the rig knows when a command arrives.

    Attributes:
        settings: what the rig can do.
        bound: the set that it serves, if any.
        limits: those of that set, or the rig's own.
        spent: nonces of sets that are over.
        stopped: the emergency stop is latched.
        held_n: what the motors are driven to, N per cable.
        docked: what the dock sensor says.
        t_us: rig clock now.
        defect: what its software does wrong, if anything.
    """

    settings: FirmwareSettings
    bound: Binding | None
    limits: Binding
    spent: Container[str]
    stopped: bool
    held_n: tuple[float, ...]
    docked: bool
    t_us: int
    defect: Defect | None


def objections(command: AnyCommand, now: Situation) -> Iterator[Refusal]:
    """Every rule that the command breaks; the first one is the rig's answer.

    Args:
        command: any command of the contract.
        now: what the rig knows.
    """
    if isinstance(command, LOAD):
        return _to_load(command, now)
    if isinstance(command, UNLOAD):
        return _to_unload(command, now)
    if isinstance(command, RELEASE):
        return _to_release(command, now)
    return _to_arm(command, now)


def _to_release(command: Release, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if (bound is None or command.nonce != bound.nonce) and command.nonce not in now.spent:
        yield Refusal.FOREIGN_NONCE


def _to_unload(command: Unload, now: Situation) -> Iterator[Refusal]:
    """A good rig never refuses to unload; only defects object."""
    bound = now.bound
    if now.defect is Defect.UNLOAD_NEEDS_NONCE and (bound is None or command.nonce != bound.nonce):
        yield Refusal.FOREIGN_NONCE
    if now.defect is Defect.UNLOAD_NEEDS_SEQUENCE and bound is not None and command.seq <= bound.last_seq:
        yield Refusal.REPEATED_SEQUENCE


def _to_arm(command: Arm, now: Situation) -> Iterator[Refusal]:
    own = now.settings
    if not all(map(math.isfinite, (*command.ceiling_n, *command.floor_n, command.max_ramp_n_per_s))):
        yield Refusal.BAD_MESSAGE
    if now.stopped:
        yield Refusal.STOPPED
    yield from _to_nonce_of_arm(command, now)
    if not len(command.ceiling_n) == len(command.floor_n) == own.cables:
        yield Refusal.WRONG_CABLES
    if any(value > own.max_load_n for value in command.ceiling_n):
        yield Refusal.ABOVE_CEILING
    if any(value < own.min_load_n for value in command.floor_n) or any(
        floor > ceiling for floor, ceiling in zip(command.floor_n, command.ceiling_n, strict=False)
    ):
        yield Refusal.BELOW_FLOOR
    if command.max_ramp_n_per_s > own.max_ramp_n_per_s:
        yield Refusal.RAMP_TOO_STEEP
    if command.lease_ms > own.max_lease_ms:
        yield Refusal.LEASE_TOO_LONG


def _to_nonce_of_arm(command: Arm, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if command.nonce in now.spent:
        yield Refusal.SPENT_NONCE
    if bound is not None and command.nonce != bound.nonce:
        yield Refusal.FOREIGN_NONCE
    if bound is not None and command.nonce == bound.nonce:
        # A nonce is armed once: else a second arming could lift the ceiling under the lifter.
        yield Refusal.REPEATED_SEQUENCE if command.seq <= bound.last_seq else Refusal.SPENT_NONCE


def _to_load(command: Load, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if not (math.isfinite(command.ramp_n_per_s) and all(map(math.isfinite, command.target_n))):
        yield Refusal.BAD_MESSAGE
    if now.stopped:
        yield Refusal.STOPPED
    if bound is None or command.nonce != bound.nonce:
        yield Refusal.SPENT_NONCE if command.nonce in now.spent else Refusal.FOREIGN_NONCE
    elif command.seq <= bound.last_seq:
        yield Refusal.REPEATED_SEQUENCE
    if len(command.target_n) != now.settings.cables:
        yield Refusal.WRONG_CABLES
    yield from _to_times_of_load(command, now)
    yield from _to_targets_of_load(command, now)


def _to_times_of_load(command: Load, now: Situation) -> Iterator[Refusal]:
    if command.cites_t_us > now.t_us:
        yield Refusal.FUTURE_CITATION
    age_us, lease_us = now.t_us - command.cites_t_us, command.lease_ms * 1_000
    if age_us > lease_us:
        yield Refusal.STALE_CITATION
    if lease_us > now.limits.lease_us:
        yield Refusal.LEASE_TOO_LONG


def _to_targets_of_load(command: Load, now: Situation) -> Iterator[Refusal]:
    own, limits, target_n = now.settings, now.limits, command.target_n
    for target, ceiling in zip(target_n, limits.ceiling_n, strict=False):
        if target > min(ceiling, own.max_load_n) + _LOAD_TOLERANCE_N:
            yield Refusal.ABOVE_CEILING
    for target, floor in zip(target_n, limits.floor_n, strict=False):
        if 0.0 < target < max(floor, own.min_load_n) - _LOAD_TOLERANCE_N:
            yield Refusal.BELOW_FLOOR
    if command.ramp_n_per_s > limits.max_ramp_n_per_s:
        yield Refusal.RAMP_TOO_STEEP
    if not now.docked and target_n != now.held_n:
        for target, held in zip(target_n, now.held_n, strict=False):
            if target > held + _LOAD_TOLERANCE_N:
                yield Refusal.RISE_WHILE_UNDOCKED
