"""A rig that sends no frames: its answers to commands are its sign of life, and it tells of repetitions as a whole."""

from __future__ import annotations

from ebbset.controller.messages.actions import SendLoad
from ebbset.controller.messages.events import LinkUp, RepetitionSeen, Tick
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.kinematic_rig import KinematicRig

TICK_US = 20_000


class SummaryRig(KinematicRig):
    """The kinematic rig without its motion: a test says what the lifter did."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.answered = 0

    def online(self) -> None:
        self.send(LinkUp(now_us=self.now_us))
        self.send(self.identity(telemetry="repetitions"))

    def tick(self) -> None:
        """The controller's clock goes on; nothing comes from the rig."""
        self.now_us += TICK_US
        self.rig_us += TICK_US
        self.send(Tick(now_us=self.now_us))

    def live(self, seconds: float, *, docked: bool) -> None:
        """Time goes by, and every command is answered at once.

        Args:
            seconds: how long.
            docked: what the answers say of the handle.
        """
        for _ in range(round(seconds * 1e6 / TICK_US)):
            self.tick()
            for command in self.commands[self.answered :]:
                self.answered += 1
                assert not isinstance(command, SendLoad) or self.rig_us - command.cites_t_us < 600_000
                applied_n = tuple(self.target)
                self.send(self.acknowledgement(command.nonce, command.seq, applied_n=applied_n, docked=docked))

    def summary(self, outcome: RepetitionOutcome, velocity_m_s: float) -> None:
        """A repetition of one second that ends now.

        Args:
            outcome: how it ended.
            velocity_m_s: its mean velocity.
        """
        self.seq += 1
        self.send(
            RepetitionSeen(
                now_us=self.now_us,
                boot_id="boot-0001",
                seq=self.seq,
                nonce=self.nonce,
                docked=False,
                applied_n=tuple(self.target),
                t_start_us=self.rig_us - 1_000_000,
                t_end_us=self.rig_us,
                outcome=outcome,
                rom_m=(0.5,),
                mean_velocity_m_s=(velocity_m_s,),
                peak_velocity_m_s=(velocity_m_s * 1.5,),
                mean_force_n=(None,),
            )
        )
