"""A guard with a rig and a prescription, brought step by step to where a test begins."""

from __future__ import annotations

from typing import Any

from ebbset.controller.guard.guard import Guard
from ebbset.controller.messages.actions import Command, SendArm, SendLoad, SendUnload
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    Samples,
)
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.rig_messages import RepetitionOutcome

BOOT = "boot-0001"
NONCE = "nonce-0001"
ORDER = example(
    load={"start_n": 400.0, "floor_n": 120.0, "ramp_n_per_s": 300.0},
    bouts=({}, {"load_n": 300.0, "rest_before_s": 10.0}),
)


def announced(**changes: Any) -> RigAnnounced:
    base: dict[str, Any] = {
        "now_us": 0,
        "rig": "north",
        "boot_id": BOOT,
        "cables": 1,
        "telemetry": "frames",
        "sample_rate_hz": 100.0,
        "has_force": True,
        "max_load_n": 1000.0,
        "min_load_n": 20.0,
        "max_ramp_n_per_s": 1000.0,
        "max_lease_ms": 1000,
    }
    return RigAnnounced(**{**base, **changes})


class Bench:
    """A guard with a rig and a prescription, brought step by step to where a test begins."""

    def __init__(self, order: Prescription = ORDER, **identity: Any) -> None:
        self.guard = Guard()
        self.order = order
        self.now_us = 1_000_000
        self.t_us = 5_000_000
        self.frame_seq = 0
        self.command_seq = 0
        self.armed_nonce = NONCE
        self.rig = announced(**identity)
        self.applied_n = (0.0,) * self.rig.cables
        self.see(LinkUp(now_us=0), self.rig)

    def see(self, *events: Event) -> None:
        for event in events:
            self.guard.observe(event)

    def frame(self, *, docked: bool = True, **changes: Any) -> Samples:
        self.now_us += 50_000
        self.t_us += 50_000
        self.frame_seq += 1
        cables = self.rig.cables
        base: dict[str, Any] = {
            "now_us": self.now_us,
            "boot_id": BOOT,
            "seq": self.frame_seq,
            "nonce": None,
            "docked": docked,
            "applied_n": self.applied_n,
            "t_us": tuple(self.t_us - 40_000 + 10_000 * k for k in range(5)),
            "position_m": ((0.5,) * 5,) * cables,
            "velocity_m_s": ((0.1,) * 5,) * cables,
            "force_n": ((200.0,) * 5,) * cables,
        }
        sample = Samples(**{**base, **changes})
        self.see(sample)
        return sample

    def ask(self, action: RequestAction, **changes: Any) -> None:
        base: dict[str, Any] = {"now_us": self.now_us, "correlation_id": "c" * 8, "action": action, "operator": "op"}
        if action is RequestAction.START:
            base["arming"] = self.armed_nonce
        elif action is RequestAction.ARM:
            base |= {"cautions_shown": True, "fresh_nonce": NONCE, "prescription": self.order}
        self.see(Requested(**{**base, **changes}))

    def arm_command(self, **changes: Any) -> SendArm:
        base: dict[str, Any] = {
            "nonce": NONCE,
            "seq": 1,
            "ceiling_n": (self.order.load.start_n,) * self.rig.cables,
            "floor_n": (self.order.load.floor_n,) * self.rig.cables,
            "max_ramp_n_per_s": 300.0,
            "lease_ms": 600,
        }
        return SendArm(**{**base, **changes})

    def load_command(self, load_n: float | tuple[float, ...] = 400.0, **changes: Any) -> SendLoad:
        self.command_seq += 1
        target = load_n if isinstance(load_n, tuple) else (load_n,) * self.rig.cables
        base: dict[str, Any] = {
            "nonce": NONCE,
            "seq": 1 + self.command_seq,
            "target_n": target,
            "ramp_n_per_s": 300.0,
            "lease_ms": 600,
            "cites_t_us": self.t_us,
        }
        return SendLoad(**{**base, **changes})

    def rule(self, command: Command) -> str:
        """The rule that the guard refuses by; a command that passes is applied at once by the bench's rig."""
        refused = self.guard.check(command, self.now_us)
        if refused is None and isinstance(command, SendArm):
            self.armed_nonce = command.nonce
        elif refused is None and isinstance(command, SendLoad):
            self.applied_n = command.target_n
        elif refused is None and isinstance(command, SendUnload):
            self.applied_n = (0.0,) * self.rig.cables
        return "" if refused is None else refused.rule

    def armed(self) -> Bench:
        self.frame()
        self.ask(RequestAction.ARM)
        assert self.rule(self.arm_command()) == ""
        return self

    def started(self) -> Bench:
        self.armed()
        self.ask(RequestAction.START)
        return self

    def working(self, load_n: float = 400.0) -> Bench:
        self.started()
        assert self.rule(self.load_command(load_n)) == ""
        self.frame(docked=False)
        return self

    def rested(self, seconds: float) -> Bench:
        self.working()
        assert self.rule(SendUnload(nonce=NONCE, seq=90, ramp_n_per_s=300.0)) == ""
        self.command_seq = 100
        self.now_us += round(seconds * 1e6) - 50_000
        self.frame()
        return self


def ack(bench: Bench, *, t_us: int, docked: bool = True, boot_id: str = BOOT) -> Acknowledged:
    return Acknowledged(
        now_us=bench.now_us,
        boot_id=boot_id,
        nonce=NONCE,
        command_seq=1,
        t_us=t_us,
        accepted=True,
        refusal=None,
        applied_n=(0.0,),
        docked=docked,
    )


def summary(bench: Bench, **changes: Any) -> RepetitionSeen:
    base: dict[str, Any] = {
        "now_us": bench.now_us,
        "boot_id": BOOT,
        "seq": 1,
        "nonce": NONCE,
        "docked": False,
        "applied_n": (0.0,),
        "t_start_us": 900,
        "t_end_us": 1_000,
        "outcome": RepetitionOutcome.COMPLETED,
        "rom_m": (0.5,),
        "mean_velocity_m_s": (0.4,),
        "peak_velocity_m_s": (0.6,),
        "mean_force_n": (None,),
    }
    return RepetitionSeen(**{**base, **changes})
