"""What was heard from one rig: every message with its arrival, and waiting for what is to come.

Never here: commanding (`rig_client`), judging what was heard (`judgement`).
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Generic, TypeVar

import aiomqtt

from ebbset.models.contract.controller_messages import ArmCommand, LoadCommand, ReleaseCommand, UnloadCommand
from ebbset.models.contract.rig_messages import (
    CommandAck,
    RepetitionSummary,
    RigEvent,
    RigEventKind,
    RigIdentity,
    SampleFrame,
)
from ebbset.models.contract.wire import (
    CONTRACT_VERSION,
    BadMessageCode,
    BadMessageError,
    Topic,
    decode,
    unknown_members,
)

_KEPT: Final = 20_000
FROM_RIG: Final = (Topic.IDENTITY, Topic.FRAME, Topic.REPETITION, Topic.EVENT, Topic.ACK)

MessageT = TypeVar("MessageT")
Command = ArmCommand | LoadCommand | UnloadCommand | ReleaseCommand


class NoAnswerError(Exception):
    """The rig did not send what a procedure needs to go on."""


@dataclass(frozen=True, slots=True)
class Heard(Generic[MessageT]):
    """A message and when it arrived, seconds of the client's monotonic clock."""

    at_s: float
    message: MessageT


@dataclass(slots=True)
class Answered:
    """A command, when it was sent, its acknowledgement and the delay of that, seconds."""

    command: Command
    sent_s: float
    ack: CommandAck | None = None
    after_s: float | None = None


@dataclass(slots=True)
class RigHeard:
    """Everything heard from one rig over one connection. Times are seconds of the running loop's clock.

    Attributes:
        client: the connection, already open.
        rig: the rig's name in the topics.
    """

    client: aiomqtt.Client
    rig: str
    identities: deque[Heard[RigIdentity]] = field(default_factory=lambda: deque(maxlen=100))
    frames: deque[Heard[SampleFrame]] = field(default_factory=lambda: deque(maxlen=_KEPT))
    repetitions: deque[Heard[RepetitionSummary]] = field(default_factory=lambda: deque(maxlen=1_000))
    events: deque[Heard[RigEvent]] = field(default_factory=lambda: deque(maxlen=1_000))
    acks: deque[Heard[CommandAck]] = field(default_factory=lambda: deque(maxlen=_KEPT))
    bad: deque[Heard[BadMessageError]] = field(default_factory=lambda: deque(maxlen=1_000))
    retained_identity: RigIdentity | None = None
    _waiting: list[tuple[Answered, asyncio.Event]] = field(default_factory=list)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        """Take in messages until cancelled or the connection breaks."""
        topics = {topic.path(self.rig): topic for topic in FROM_RIG}
        async for message in self.client.messages:
            topic = topics.get(message.topic.value)
            if topic is None or not isinstance(message.payload, bytes):
                continue
            self._take(topic, message.payload, retained=bool(message.retain))
            async with self._news:
                self._news.notify_all()

    def _take(self, topic: Topic, payload: bytes, *, retained: bool) -> None:
        now_s = self.now_s
        try:
            message = decode(topic, payload)
        except BadMessageError as error:
            self.bad.append(Heard(now_s, error))
            return
        # A controller ignores such a member; in a rig under test it is most likely a misspelt optional one.
        for member in unknown_members(topic, payload):
            detail = f"{member} is unknown to contract {CONTRACT_VERSION}; allowed: the members of its schema"
            self.bad.append(Heard(now_s, BadMessageError(topic, BadMessageCode.INVALID_FIELD, detail)))
        kept: dict[Topic, deque[Any]] = {
            Topic.IDENTITY: self.identities,
            Topic.FRAME: self.frames,
            Topic.REPETITION: self.repetitions,
            Topic.EVENT: self.events,
            Topic.ACK: self.acks,
        }
        kept[topic].append(Heard(now_s, message))
        if topic is Topic.IDENTITY and retained:
            self.retained_identity = message
        elif topic is Topic.ACK:
            for waiting in self._waiting:
                answered, ready = waiting
                if (message.nonce, message.command_seq) == (answered.command.nonce, answered.command.seq):
                    answered.ack, answered.after_s = message, now_s - answered.sent_s
                    ready.set()
                    self._waiting.remove(waiting)
                    break

    @property
    def now_s(self) -> float:
        """Monotonic clock of the client, seconds."""
        return asyncio.get_running_loop().time()

    @property
    def answered(self) -> bool:
        """The rig acknowledged something."""
        return bool(self.acks)

    @property
    def identity(self) -> RigIdentity:
        """The newest announcement.

        Raises:
            NoAnswerError: there was none.
        """
        if not self.identities:
            raise NoAnswerError("the rig did not announce itself")
        return self.identities[-1].message

    async def wait_for(self, holds: Callable[[], bool], timeout_s: float) -> bool:
        """Wait until something heard makes a condition hold.

        Args:
            holds: the condition, looked at after every message.
            timeout_s: how long to wait.

        Returns:
            Whether it held within the time.
        """
        try:
            async with asyncio.timeout(timeout_s), self._news:
                await self._news.wait_for(holds)
        except TimeoutError:
            return holds()
        return True

    def frames_since(self, at_s: float) -> list[Heard[SampleFrame]]:
        """Frames that arrived from then on."""
        return [heard for heard in self.frames if heard.at_s >= at_s]

    def applied_since(self, at_s: float) -> list[tuple[float, float]]:
        """(arrival, largest applied load over the cables) from then on, by frames if the rig sends them, else acks."""
        if self._by_frames:
            return [(h.at_s, max(h.message.applied_n)) for h in self.frames_since(at_s)]
        return [(h.at_s, max(h.message.applied_n)) for h in self.acks if h.at_s >= at_s]

    def events_since(self, at_s: float, kind: RigEventKind) -> list[Heard[RigEvent]]:
        """Events of one kind that arrived from then on.

        Args:
            at_s: clock of the client, seconds.
            kind: the kind.
        """
        return [heard for heard in self.events if heard.at_s >= at_s and heard.message.kind is kind]

    @property
    def rig_time_us(self) -> int:
        """Newest rig time heard, for citing.

        Raises:
            NoAnswerError: no frame or acknowledgement was heard.
        """
        times = [h.message.t_us[-1] for h in list(self.frames)[-1:]] if self._by_frames else []
        times += [h.message.t_us for h in list(self.acks)[-1:]] if not self._by_frames else []
        if not times:
            raise NoAnswerError("the rig sent no time that a load could cite")
        return max(times)

    @property
    def _by_frames(self) -> bool:
        return not self.identities or self.identity.telemetry == "frames"
