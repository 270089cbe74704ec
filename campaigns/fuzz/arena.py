"""The arena: a complete controller behind its inbox, a well-behaved rig, and a source of arbitrary messages.

Messages take their usual way: as bytes into `Inbox`, decoded there, handled by `SetController`, its outputs turned into
wire messages. A monitor that shares no code with either checks that no load ever rises and no invariant is broken. The
messages put in are valid, nearly valid, old, repeated, or plain bytes.
"""

from __future__ import annotations

import copy
import dataclasses
import json
from collections import deque
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, Final

from ebbset.controller.link.inbox import Inbox
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import Event, LinkDown, LinkUp, Requested, Tick
from ebbset.controller.messages.reasons import State
from ebbset.controller.policies.built_in import FixedFraction, FixedStep, ForceAtStall
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import example
from ebbset.models.contract.wire import Topic
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor

from .choices import Choices, pick

RIG: Final = "arena"
HEARD: Final = (Topic.IDENTITY, Topic.FRAME, Topic.REPETITION, Topic.EVENT, Topic.ACK, Topic.REQUEST)
KINDS: Final = ("emergency_stop", "docked", "undocked", "over_travel", "over_speed", "lease_expired", "fault")
STRANGE: Final[tuple[Any, ...]] = (
    None, True, False, 0, -1, 1, 2**31, 2**53, 2**63, -(2**63), 10**400, 0.0, -0.0, 1e308, -1e308, 5e-324, 1e-9,
    float("nan"), float("inf"), float("-inf"), "", "x", "é" * 50, "\u0000", "x" * 5_000, [], [0], [[0.0]], {}, {"a": 1},
    [None], [float("nan")], [1e9], [-5.0], "docked", "arm", "load", [0] * 300, {"version": 1},
)  # fmt: skip
"""Values that often break programs, put where a number, a text or a list belongs."""

Message = tuple[Topic, bytes]


class Arena:
    """One controller and its surroundings. `step` puts one thing in; `broken` lists broken invariants."""

    def __init__(self) -> None:
        policies: Mapping[str, PolicyFactory] = {
            "fixed_fraction": FixedFraction,
            "fixed_step": FixedStep,
            "force_at_stall": ForceAtStall,
        }
        self.controller = SetController(policies)
        self.now_us = 1_000_000
        self.inbox = Inbox(RIG, lambda: self.now_us)
        self.monitor = InvariantMonitor()
        self.messages = 0
        self.loads = 0
        self.rig_us = 5_000_000
        self.seq = 0
        self.boots = 0
        self.nonces = 0
        self.nonce: str | None = None
        self.applied_n = 0.0
        self.target_n = 0.0
        self.docked = True
        self.position_m = 0.0
        self.direction = 0.5
        self.sent: deque[Message] = deque(maxlen=50)
        self._handle(LinkUp(now_us=self.now_us))
        self.put(Topic.IDENTITY, self.identity())
        self.frames(3)

    # --- the path of a message -----------------------------------------------------------------------------------

    def put(self, topic: Topic, content: Any, *, retained: bool = False) -> None:
        """Put a message in and handle everything that follows from it.

        Args:
            topic: where it arrives.
            content: an object, sent as JSON, or bytes.
            retained: it arrives as a retained message.
        """
        payload = content if isinstance(content, bytes) else json.dumps(content).encode()
        self.sent.append((topic, payload))
        self.messages += 1
        self.inbox.message(topic.path(RIG), payload, retained=retained)
        self._drain()

    def _drain(self) -> None:
        self.inbox.tick()
        for _ in range(20):
            event = _at_once(self.inbox.get())
            self._handle(event)
            if isinstance(event, Tick):
                return

    def left_waiting(self) -> int:
        """Take everything out of the inbox without handling it; returns how much there was."""
        self.inbox.tick()
        taken = 0
        while not isinstance(_at_once(self.inbox.get()), Tick):
            taken += 1
        return taken

    def _handle(self, event: Event) -> None:
        if isinstance(event, Requested) and event.action is RequestAction.ARM:
            event = self._completed(event)
        outputs = self.controller.handle(event)
        self.monitor.step(event, outputs)
        for output in outputs:
            codec.to_wire(output)
            codec.to_json(output)
            if isinstance(output, SendArm):
                self.nonce = output.nonce
            elif isinstance(output, SendLoad):
                self.loads += 1
                self.target_n = output.target_n[0]
                self.acknowledge(output.nonce, output.seq)
            elif isinstance(output, SendUnload | SendRelease):
                self.target_n = 0.0
        codec.to_json(event)

    def _completed(self, event: Requested) -> Requested:
        """What the shell adds to a request to arm."""
        self.nonces += 1
        order = event.prescription if event.prescription is not None else example()
        return dataclasses.replace(event, fresh_nonce=f"nonce-{self.nonces:06d}", prescription=order)

    @property
    def broken(self) -> list[Any]:
        """Broken invariants."""
        return self.monitor.breaches

    # --- a well-behaved rig -------------------------------------------------------------------------------------

    @property
    def boot_id(self) -> str:
        """The rig's present boot."""
        return f"boot-{self.boots:04d}"

    def identity(self) -> dict[str, Any]:
        """Its announcement."""
        return {
            "version": 1, "rig": RIG, "boot_id": self.boot_id, "online": True, "cables": 1, "telemetry": "frames",
            "sample_rate_hz": 100.0, "has_force": True, "max_load_n": 1500.0, "min_load_n": 20.0,
            "max_ramp_n_per_s": 2000.0, "max_lease_ms": 1000, "firmware": "arena",
        }  # fmt: skip

    def frame(self) -> dict[str, Any]:
        """Its next frame: a lifter who goes up and down, out of the dock once the load is on."""
        self.now_us += 50_000
        self.applied_n += max(-50.0, min(50.0, self.target_n - self.applied_n))
        moving = self.target_n > 0.0 and self.applied_n > 0.9 * self.target_n
        times, positions, velocities = [], [], []
        for _ in range(5):
            self.rig_us += 10_000
            velocity = self.direction if moving else 0.0
            self.position_m = min(max(self.position_m + 0.01 * velocity, 0.0), 0.6)
            if self.position_m in (0.0, 0.6):
                self.direction = 0.5 if self.position_m == 0.0 else -0.5
            times.append(self.rig_us)
            positions.append(self.position_m)
            velocities.append(velocity)
        if not moving:
            self.position_m = 0.0
        self.docked = not moving
        self.seq += 1
        cable = {"position_m": positions, "velocity_m_s": velocities, "force_n": [self.applied_n] * 5}
        return {
            "version": 1, "boot_id": self.boot_id, "seq": self.seq, "nonce": self.nonce, "docked": self.docked,
            "applied_n": [self.applied_n], "t_us": times, "cables": [cable],
        }  # fmt: skip

    def frames(self, count: int) -> None:
        """Send this many frames."""
        for _ in range(count):
            self.put(Topic.FRAME, self.frame())

    def acknowledge(self, nonce: str, seq: int) -> None:
        """Its answer to a command, which arrives while another message is being handled, as on a network.

        Args:
            nonce: of the command.
            seq: of the command.
        """
        content = self.ack(nonce, seq)
        self.inbox.message(Topic.ACK.path(RIG), json.dumps(content).encode(), retained=False)

    def ack(self, nonce: str, seq: int) -> dict[str, Any]:
        """An acknowledgement that accepts a command.

        Args:
            nonce: of the command.
            seq: of the command.
        """
        return {
            "version": 1, "boot_id": self.boot_id, "nonce": nonce, "command_seq": seq, "t_us": self.rig_us,
            "accepted": True, "refusal": None, "applied_n": [self.applied_n], "docked": self.docked,
        }  # fmt: skip

    def event(self, kind: str) -> dict[str, Any]:
        """An event that it reports."""
        return {
            "version": 1, "boot_id": self.boot_id, "seq": self.seq, "t_us": self.rig_us, "kind": kind, "detail": "",
        }  # fmt: skip

    def repetition(self) -> dict[str, Any]:
        """A repetition summary, which this rig must not send."""
        cable = {"rom_m": 0.5, "mean_velocity_m_s": 0.4, "peak_velocity_m_s": 0.6, "mean_force_n": None}
        return {
            "version": 1, "boot_id": self.boot_id, "seq": self.seq, "nonce": self.nonce, "docked": False,
            "applied_n": [self.applied_n], "t_start_us": self.rig_us - 500_000, "t_end_us": self.rig_us,
            "outcome": "completed", "cables": [cable],
        }  # fmt: skip

    def request(self, action: str) -> dict[str, Any]:
        """A person's request."""
        return {
            "version": 1, "correlation_id": f"ask-{self.messages:08d}", "action": action, "operator": "fuzz",
            "ticket": "fuzz-run-1", "arming": self.nonce or "nonce-none",
            "cautions_shown": True, "prescription": None, "profile": None,
        }  # fmt: skip

    # --- arbitrary messages -------------------------------------------------------------------------------------

    def valid(self, choices: Choices) -> tuple[Topic, dict[str, Any]]:
        """A valid message of any kind."""
        makers: tuple[tuple[Topic, Any], ...] = (
            (Topic.FRAME, self.frame),
            (Topic.IDENTITY, self.identity),
            (Topic.EVENT, lambda: self.event(pick(choices, KINDS))),
            (Topic.ACK, lambda: self.ack(self.nonce or "nonce-none", choices.below(100))),
            (Topic.REPETITION, self.repetition),
            (Topic.REQUEST, lambda: self.request(pick(choices, ("arm", "start", "stop", "release")))),
        )
        topic, make = pick(choices, makers)
        return topic, make()

    def step(self, choices: Choices) -> None:
        """Put one thing in. About half of the time it is a proper frame or request, so that sets get under way."""
        pick(choices, _THROWS)(self, choices)

    def throw_frame(self, _choices: Choices) -> None:
        """A proper frame."""
        self.frames(1)

    def throw_request(self, _choices: Choices) -> None:
        """What a person would ask for now, so that sets get under way."""
        state = self.controller.state
        if state in (State.IDLE, State.ENDED):
            self.put(Topic.REQUEST, self.request("arm"))
        elif state is State.ARMED:
            self.put(Topic.REQUEST, self.request("start"))
        self.frames(2)

    def throw_mutated(self, choices: Choices) -> None:
        """A valid message with something in it changed."""
        topic, content = self.valid(choices)
        self.put(topic, mutated(content, choices))

    def throw_bytes(self, choices: Choices) -> None:
        """Any bytes."""
        self.put(pick(choices, HEARD), choices.raw(64))

    def throw_damaged(self, choices: Choices) -> None:
        """A valid message with some bytes changed, perhaps cut short."""
        topic, content = self.valid(choices)
        text = bytearray(json.dumps(content).encode())
        for _ in range(1 + choices.below(4)):
            text[choices.below(len(text))] = choices.below(256)
        self.put(topic, bytes(text[: choices.below(len(text) + 1) or len(text)]))

    def throw_old(self, choices: Choices) -> None:
        """A message that was sent before, perhaps on another topic, perhaps retained."""
        topic, payload = self.sent[choices.below(len(self.sent))]
        self.put(pick(choices, (topic, pick(choices, HEARD))), payload, retained=choices.below(2) == 0)

    def let_time_pass(self, choices: Choices) -> None:
        """Nothing arrives for a while."""
        self.now_us += pick(choices, (1_000, 100_000, 300_000, 2_000_000))
        self._drain()

    def throw_link(self, choices: Choices) -> None:
        """Now and then the link is lost and comes back, perhaps with a rig that was restarted."""
        if choices.below(4) != 0:
            self.throw_nesting(choices)
            return
        self.inbox.link(LinkDown(now_us=self.now_us))
        self._drain()
        self.inbox.link(LinkUp(now_us=self.now_us))
        self.boots += choices.below(2)
        self.nonce = None
        self.put(Topic.IDENTITY, self.identity())

    def throw_nesting(self, choices: Choices) -> None:
        """Deeply nested brackets."""
        self.put(Topic.FRAME, b"[" * (1 + choices.below(70_000)))


_THROWS: Final[tuple[Callable[[Arena, Choices], None], ...]] = (
    *(Arena.throw_frame,) * 14,
    *(Arena.throw_request,) * 4,
    *(Arena.throw_mutated,) * 8,
    Arena.throw_bytes,
    Arena.throw_damaged,
    Arena.throw_old,
    Arena.let_time_pass,
    Arena.throw_link,
    Arena.throw_nesting,
)
"""What `Arena.step` chooses from; each is listed as often as it should occur in 32 throws."""


def mutated(content: dict[str, Any], choices: Choices) -> Any:
    """Change a message: some members become strange, missing or unknown.

    Args:
        content: the message, which is changed.
        choices: decides what is changed.
    """
    for _ in range(1 + choices.below(3)):
        where: Any = content
        while True:
            if isinstance(where, dict) and where:
                key: Any = pick(choices, list(where))
            elif isinstance(where, list) and where:
                key = choices.below(len(where))
            else:
                break
            if isinstance(where[key], dict | list) and choices.below(2):
                where = where[key]
                continue
            how = choices.below(8)
            if how == 0:
                del where[key]
            elif how == 1 and isinstance(where, dict):
                where["unknown"] = copy.deepcopy(pick(choices, STRANGE))
            elif how == 2 and isinstance(where[key], int | float) and abs(where[key]) < 2**63:
                where[key] = where[key] * pick(choices, (-1, 0, 2, 10, 1e-3, 1e6))
            else:
                where[key] = copy.deepcopy(pick(choices, STRANGE))
            break
    return content


def _at_once(coroutine: Coroutine[Any, Any, Event]) -> Event:
    """Run a coroutine that never has to wait, and return its result."""
    try:
        while True:
            coroutine.send(None)
    except StopIteration as done:
        event: Event = done.value
        return event
