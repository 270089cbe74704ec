"""One boot of a rig as its messages show it: payloads in, contents out, and the counters that both need.

Pure. Whoever owns time and network passes both in.
"""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.models.contract.rig_messages import Refusal
from ebbset.models.contract.wire import BadMessageError, Topic, decode
from ebbset.rig import rig_messages as messages
from ebbset.rig.command_rules import AnyCommand
from ebbset.rig.description import RigDescription
from ebbset.rig.rig_core import Notice, Reply, RigCore
from ebbset.rig.rig_messages import Content, FrameContent


@dataclass(frozen=True, slots=True)
class JudgedCommand:
    """What became of one payload on the command topic.

    ``command`` is None, and ``problem`` says why, when it is no command; ``reply`` is None when nobody can be answered.
    ``moved`` tells that target or binding changed.
    """

    command: AnyCommand | None
    reply: Reply | None
    problem: BadMessageError | None = None
    moved: bool = False


class RigEndpoint:
    """The messages of one boot.

    Args:
        core: judges commands.
        described: what the rig announces.
    """

    def __init__(self, core: RigCore, described: RigDescription) -> None:
        self.core = core
        self.described = described
        self._seq = {Topic.FRAME: 0, Topic.EVENT: 0, Topic.REPETITION: 0}

    def next_seq(self, topic: Topic) -> int:
        """The number of the next message on a topic; each topic counts by itself."""
        seq = self._seq[topic]
        self._seq[topic] = seq + 1
        return seq

    def counted(self, topic: Topic) -> int:
        """How many messages of a topic have had a number."""
        return self._seq[topic]

    def receive(self, payload: bytes, *, t_us: int, docked: bool, applied_n: tuple[float, ...]) -> JudgedCommand:
        """Judge a payload from the command topic, whatever it holds, and obey it or not.

        Args:
            payload: as it arrived.
            t_us: rig clock now.
            docked: what the dock sensor says.
            applied_n: load applied now, N per cable.
        """
        core = self.core
        try:
            command: AnyCommand = decode(Topic.COMMAND, payload)
        except BadMessageError as error:
            addressed = messages.addressee(payload)
            if addressed is None:
                return JudgedCommand(None, None, error)
            return JudgedCommand(None, Reply(*addressed, t_us, False, Refusal.BAD_MESSAGE, applied_n, docked), error)
        before = (core.target_n, core.nonce)
        reply = core.handle_command(command, t_us=t_us, docked=docked, applied_n=applied_n)
        return JudgedCommand(command, reply, moved=before != (core.target_n, core.nonce))

    def identity(self, *, online: bool) -> Content:
        """The announcement, or the last will."""
        return messages.identity(self.core, self.described, online=online)

    def frame(self, content: FrameContent, *, docked: bool) -> Content:
        """A sample frame.

        Args:
            content: what the sensors showed.
            docked: what the dock sensor says at the last sample.
        """
        return messages.frame(self.core, content, docked=docked)

    def event(self, notice: Notice) -> Content:
        """An event; each has the next number."""
        return messages.event(self.core, self.next_seq(Topic.EVENT), notice)

    def acknowledgement(self, reply: Reply) -> Content:
        """The answer to a command."""
        return messages.acknowledgement(self.core, reply)
