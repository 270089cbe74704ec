"""The rules by which a good rig judges a command, in the order in which they are tried.

Pure functions of one command and of what the rig knows at that moment; `rig_core` owns that knowledge and obeys.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from dataclasses import dataclass
from typing import Final

from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand, UnloadCommand
from ebbset.models.contract.rig_messages import Refusal
from ebbset.rig.description import RigLimits

AnyCommand = ArmCommand | LoadCommand | UnloadCommand | ReleaseCommand
_LOAD_TOLERANCE_N: Final = 1e-6


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


@dataclass(slots=True, kw_only=True)
class Situation:
    """What the rig knows when a command arrives.

    Attributes:
        own: what the rig can do.
        bound: the set that it serves, if any.
        limits: those of that set, or the rig's own.
        spent: nonces of sets that are over.
        stopped: the emergency stop is latched.
        held_n: what the motors are driven to, N per cable.
        docked: what the dock sensor says.
        t_us: rig clock now.
    """

    own: RigLimits
    bound: Binding | None
    limits: Binding
    spent: Container[str]
    stopped: bool
    held_n: tuple[float, ...]
    docked: bool
    t_us: int


def objections(command: AnyCommand, now: Situation) -> Iterator[Refusal]:
    """Every rule that the command breaks; the first one is the rig's answer. An unload breaks none, ever.

    Args:
        command: any command of the contract.
        now: what the rig knows.
    """
    if isinstance(command, LoadCommand):
        yield from _to_load(command, now)
    elif isinstance(command, ArmCommand):
        yield from _to_arm(command, now)
    elif isinstance(command, ReleaseCommand):
        yield from _to_release(command, now)


def _to_release(command: ReleaseCommand, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if (bound is None or command.nonce != bound.nonce) and command.nonce not in now.spent:
        yield Refusal.FOREIGN_NONCE


def _to_arm(command: ArmCommand, now: Situation) -> Iterator[Refusal]:
    own = now.own
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


def _to_nonce_of_arm(command: ArmCommand, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if command.nonce in now.spent:
        yield Refusal.SPENT_NONCE
    if bound is not None and command.nonce != bound.nonce:
        yield Refusal.FOREIGN_NONCE
    if bound is not None and command.nonce == bound.nonce:
        # A nonce is armed once: else a second arming could lift the ceiling under the lifter.
        yield Refusal.REPEATED_SEQUENCE if command.seq <= bound.last_seq else Refusal.SPENT_NONCE


def _to_load(command: LoadCommand, now: Situation) -> Iterator[Refusal]:
    bound = now.bound
    if not (math.isfinite(command.ramp_n_per_s) and all(map(math.isfinite, command.target_n))):
        yield Refusal.BAD_MESSAGE
    if now.stopped:
        yield Refusal.STOPPED
    if bound is None or command.nonce != bound.nonce:
        yield Refusal.SPENT_NONCE if command.nonce in now.spent else Refusal.FOREIGN_NONCE
    elif command.seq <= bound.last_seq:
        yield Refusal.REPEATED_SEQUENCE
    if len(command.target_n) != now.own.cables:
        yield Refusal.WRONG_CABLES
    yield from _to_times_of_load(command, now)
    yield from _to_targets_of_load(command, now)


def _to_times_of_load(command: LoadCommand, now: Situation) -> Iterator[Refusal]:
    if command.cites_t_us > now.t_us:
        yield Refusal.FUTURE_CITATION
    age_us, lease_us = now.t_us - command.cites_t_us, command.lease_ms * 1_000
    if age_us > lease_us:
        yield Refusal.STALE_CITATION
    if lease_us > now.limits.lease_us:
        yield Refusal.LEASE_TOO_LONG


def _to_targets_of_load(command: LoadCommand, now: Situation) -> Iterator[Refusal]:
    own, limits, target_n = now.own, now.limits, command.target_n
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
