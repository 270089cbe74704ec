"""A scripted rig that sends no frames: it acknowledges commands and reports the dock, truly or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from ebbset.controller.messages.actions import Output, SendArm, SendRelease
from ebbset.controller.messages.events import LinkUp, RepetitionSeen, RigReported
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import RepetitionOutcome, RigEventKind
from tests.support.kinematic_rig import KinematicRig


@dataclass
class AnsweringRig(KinematicRig):
    """``lie`` changes what acknowledgements say; ``answers`` may be turned off."""

    lie: dict[str, Any] = field(default_factory=dict)
    factor: float = 1.0
    answers: bool = True

    def __post_init__(self) -> None:
        super().__post_init__()
        self.silent = True
        self.report_seq = 0
        self.answered = 0

    def identity(self, **changes: Any) -> Any:
        return super().identity(**{"telemetry": "repetitions", **changes})

    def online(self) -> None:
        self.send(LinkUp(now_us=self.now_us))
        self.send(self.identity())
        self.report(RigEventKind.DOCKED)
        self.frame()

    def frame(self) -> None:
        was_docked = self.docked
        super().frame()
        if self.docked is not was_docked:
            self.report(RigEventKind.DOCKED if self.docked else RigEventKind.UNDOCKED)
        self.answer()

    def answer(self) -> tuple[Output, ...]:
        out: tuple[Output, ...] = ()
        while self.answers and self.answered < len(self.commands):
            command = self.commands[self.answered]
            self.answered += 1
            told: dict[str, Any] = {"applied_n": tuple(self.factor * applied for applied in self.applied)}
            if not isinstance(command, SendArm):
                told |= self.lie
            out += self.send(self.acknowledgement(command.nonce, command.seq, **told))
            if isinstance(command, SendRelease):
                self.nonce = None
        return out

    def report(self, kind: RigEventKind, *, later_us: int = 0) -> tuple[Output, ...]:
        self.report_seq += 1
        return self.send(
            RigReported(
                now_us=self.now_us,
                boot_id="boot-0001",
                seq=self.report_seq,
                t_us=self.rig_us + later_us,
                kind=kind,
                detail="",
            )
        )

    def summary(self, outcome: RepetitionOutcome = RepetitionOutcome.COMPLETED, **changes: Any) -> tuple[Output, ...]:
        self.report_seq += 1
        n = self.cables
        told: dict[str, Any] = {
            "now_us": self.now_us,
            "boot_id": "boot-0001",
            "seq": self.report_seq,
            "nonce": self.nonce,
            "docked": self.docked,
            "applied_n": tuple(self.factor * applied for applied in self.applied),
            "t_start_us": self.rig_us - 900_000,
            "t_end_us": self.rig_us,
            "outcome": outcome,
            "rom_m": (0.5,) * n,
            "mean_velocity_m_s": (0.5,) * n,
            "peak_velocity_m_s": (0.8,) * n,
            "mean_force_n": (None,) * n,
        }
        return self.send(RepetitionSeen(**{**told, **changes}))

    def begin(self) -> None:
        self.online()
        self.ask(RequestAction.ARM)
        self.answer()
        self.run(0.3)
        self.ask(RequestAction.START)
        self.answer()
