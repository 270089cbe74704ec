"""A rig's core with a hand on its clock, dock and applied load, and commands to put to it, in order or broken."""

from __future__ import annotations

from typing import Any, Generic, TypeVar

from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand, UnloadCommand
from ebbset.models.contract.rig_messages import Refusal, RigEventKind
from ebbset.rig.command_rules import AnyCommand
from ebbset.rig.description import RigLimits
from ebbset.rig.rig_core import Notice, Reply, RigCore

LIMITS = RigLimits(cables=1, max_load_n=1_000.0, min_load_n=20.0, max_ramp_n_per_s=1_500.0, max_lease_ms=1_000)
T0 = 10_000_000
LEASE_MS = 600
NONCE = "nonce-0001"
Core = TypeVar("Core", bound=RigCore)


class Bench(Generic[Core]):
    """See the module."""

    def __init__(self, core: Core) -> None:
        self.core = core
        self.t_us = T0
        self.docked = True
        self.applied_n = (0.0,) * core.limits.cables
        self.tick()

    def send(self, command: AnyCommand) -> Reply:
        return self.core.handle_command(command, t_us=self.t_us, docked=self.docked, applied_n=self.applied_n)

    def tick(
        self, after_ms: int = 0, *, settle: bool = True, position_m: float = 0.1, speed: float = 0.0
    ) -> list[RigEventKind]:
        self.t_us += after_ms * 1_000
        if settle:
            self.applied_n = self.core.target_n
        cables = self.core.limits.cables
        notices: tuple[Notice, ...] = self.core.tick(
            t_us=self.t_us,
            docked=self.docked,
            applied_n=self.applied_n,
            position_m=(position_m,) * cables,
            velocity_m_s=(speed,) * cables,
        )
        return [notice.kind for notice in notices]

    def armed(self) -> Bench[Core]:
        assert self.send(arm()).accepted
        return self

    def loaded(self, target_n: float = 400.0) -> Bench[Core]:
        self.armed()
        assert self.send(load(2, target_n, self.t_us)).accepted
        self.tick()
        return self


def arm(seq: int = 1, *, nonce: str = NONCE, **changes: Any) -> ArmCommand:
    """An arming in order but for the changes, which nothing checks."""
    command = ArmCommand(
        nonce=nonce, seq=seq, ceiling_n=(500.0,), floor_n=(100.0,), max_ramp_n_per_s=800.0, lease_ms=LEASE_MS
    )
    return command.model_copy(update=changes)


def load(seq: int, target_n: float, cites_t_us: int, **changes: Any) -> LoadCommand:
    """A load in order but for the changes, which nothing checks."""
    command = LoadCommand(
        nonce=NONCE, seq=seq, target_n=(target_n,), ramp_n_per_s=300.0, lease_ms=LEASE_MS, cites_t_us=cites_t_us
    )
    return command.model_copy(update=changes)


def broken(changes: dict[str, Any]) -> LoadCommand:
    """A load that is in order but for the changes."""
    return load(2, 400.0, T0).model_copy(update=changes)


def unload(*, nonce: str, seq: int, ramp_n_per_s: float) -> UnloadCommand:
    return UnloadCommand(nonce=nonce, seq=seq, ramp_n_per_s=ramp_n_per_s)


def release(*, nonce: str, seq: int) -> ReleaseCommand:
    return ReleaseCommand(nonce=nonce, seq=seq)


BROKEN_LOADS: dict[Refusal, dict[str, Any]] = {
    Refusal.FOREIGN_NONCE: {"nonce": "nonce-9999"},
    Refusal.REPEATED_SEQUENCE: {"seq": 1},
    Refusal.STALE_CITATION: {"cites_t_us": T0 - LEASE_MS * 1_000 - 1},
    Refusal.FUTURE_CITATION: {"cites_t_us": T0 + 1},
    Refusal.LEASE_TOO_LONG: {"lease_ms": LEASE_MS + 1, "cites_t_us": T0},
    Refusal.ABOVE_CEILING: {"target_n": (500.1,)},
    Refusal.BELOW_FLOOR: {"target_n": (99.9,)},
    Refusal.RAMP_TOO_STEEP: {"ramp_n_per_s": 800.1},
    Refusal.WRONG_CABLES: {"target_n": (400.0, 400.0)},
    Refusal.BAD_MESSAGE: {"target_n": (float("nan"),)},
}
"""A load that breaks each rule alone."""
BROKEN_ARMS: dict[Refusal, dict[str, Any]] = {
    Refusal.ABOVE_CEILING: {"ceiling_n": (1_000.1,)},
    Refusal.BELOW_FLOOR: {"floor_n": (19.9,)},
    Refusal.RAMP_TOO_STEEP: {"max_ramp_n_per_s": 1_500.1},
    Refusal.LEASE_TOO_LONG: {"lease_ms": 1_001},
    Refusal.WRONG_CABLES: {"ceiling_n": (500.0, 500.0)},
    Refusal.BAD_MESSAGE: {"floor_n": (float("inf"),)},
}
"""An arming that breaks each rule alone."""
