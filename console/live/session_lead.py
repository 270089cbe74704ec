"""Leads a session over MQTT: knows what comes next, asks for what a person asked for, and writes down what happened.

It arms and starts nothing by itself. A set belongs to the session only if its nonce is the one that this session's
arming got, so that two lifters can alternate on one rig, each with a session of their own; a rig that is busy with
somebody else is said to be, and nothing is done to it. What the lead asks by itself only ever takes a load off: at the
end of the minutes it stops its own set, and after a restart it releases an arming of its own that nobody started.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable
from typing import Final

import aiomqtt
import structlog

from ebbset.coaching.sessions.journal import Journal
from ebbset.coaching.sessions.progress import SessionProgress, SessionView
from ebbset.coaching.sessions.session_events import (
    Armed,
    Begun,
    DayStrength,
    EndedBecause,
    Repeated,
    Resumed,
    RigSeen,
    SessionEnded,
    SessionEvent,
    SetBegun,
    SetEnded,
    Skipped,
)
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.console.exits import CommandError
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import HEARD
from ebbset.console.live.operator_client import Operator, payload_of
from ebbset.console.live.session_rig import SessionRig
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.operator_messages import OperatorAnswer, RequestAction
from ebbset.models.contract.wire import Topic

LOOK_S: Final = 0.25
"""Between two looks at the clock."""
RECONNECT_S: Final = 1.0
ASK_AGAIN_S: Final = 5.0
LEADER: Final = "session"
"""The name under which the lead asks by itself, which is only ever to take a load off."""
_log = structlog.get_logger(__name__)


class SessionLead:
    """Leads one session.

    Args:
        plan: what is to be done.
        journal: open; a session that it holds already is resumed, with nothing armed.
        broker: broker of the plan's rigs.
        on_set_done: called after a set of the session, or an arming that never became one, is over.
        last_sets: what earlier sessions taught; used when the session begins.
        now_s: UTC seconds.

    Raises:
        ValueError: the journal is not one of this plan.
    """

    def __init__(
        self,
        plan: SessionPlanFile,
        journal: Journal,
        broker: BrokerSettings,
        *,
        on_set_done: Callable[[SetEnded, SessionStep], None] | None = None,
        last_sets: tuple[DayStrength, ...] = (),
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self.plan = plan
        self.rigs = {name: SessionRig(name) for name in plan.rigs}
        self._journal = journal
        self._broker = broker
        self._on_set_done = on_set_done
        self._last_sets = last_sets
        self._now = now_s
        self._progress = SessionProgress(plan)
        self._newest_s = 0.0
        self._ending: EndedBecause | None = None
        self._asked_s = 0.0
        self._left_armed: Armed | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.connected = False
        self._read(journal.events)

    def _read(self, events: tuple[SessionEvent, ...]) -> None:
        """Pick the session up where its journal ends."""
        for event in events:
            self._progress.take(event)
            self._newest_s = event.at_s
            if isinstance(event, Armed):
                self._left_armed = event
                self.rigs[self._step(event).rig].lead(event.nonce, event.order)
            elif isinstance(event, SetBegun | SetEnded):
                self._left_armed = None
        if events and self.view().phase != "over":
            self._happened(Resumed(at_s=self._at_s()))

    # -- what a person sees

    def view(self) -> SessionView:
        """Where the session stands now."""
        return self._progress.view(self._at_s())

    @property
    def minutes_left_s(self) -> float:
        """Of the session's minutes, also when every set is done before they are over, s."""
        return self._progress.left_s(self._at_s())

    @property
    def live(self) -> LiveState | None:
        """What is heard of the set that is armed or at work; None for none."""
        view = self.view()
        return None if view.nonce is None or view.step is None else self.rigs[view.step.rig].live

    @property
    def obstacle(self) -> str:
        """Why the next set cannot be armed on its rig now, in a sentence; empty for nothing."""
        if not self.connected:
            return f"No connection to the broker at {self._broker.host}:{self._broker.resolved_port}."
        view = self.view()
        return "" if view.step is None or view.nonce is not None else self.rigs[view.step.rig].obstacle

    # -- what a person asks for

    async def arm(self, operator: str, cautions_ticked: bool) -> OperatorAnswer:
        """Ask for the next set to be armed.

        Args:
            operator: who asks.
            cautions_ticked: whether that person showed the cautions and ticked them.

        Returns:
            the controller's answer, or the lead's own refusal.
        """
        view = self.view()
        if view.step is None or view.order is None or view.phase not in ("resting", "ready"):
            return self._refused("no_set", "There is no set to arm now.")
        if not cautions_ticked:
            return self._refused("cautions_not_shown", "The cautions come first: show them and tick them.")
        if self.obstacle:
            return self._refused("rig_not_free", self.obstacle)
        rig = self.rigs[view.step.rig]
        answer = await self._ask(
            rig.name,
            operator,
            RequestAction.ARM,
            cautions_shown=True,
            prescription=view.order,
            profile=view.step.profile,
        )
        if answer.accepted and answer.nonce is not None:
            rig.lead(answer.nonce, view.order)
            try:
                self._happened(
                    Armed(
                        at_s=self._at_s(),
                        step=view.step_number,
                        nonce=answer.nonce,
                        operator=operator,
                        order=view.order,
                    )
                )
            except ValueError as error:
                # The answer took so long that the set no longer fits, or the session ended meanwhile.
                await self._ask(rig.name, LEADER, RequestAction.RELEASE)
                return self._refused("not_now", str(error))
            self._look()
        return answer

    async def start(self, operator: str) -> OperatorAnswer:
        """Ask for the armed set to be started.

        Args:
            operator: who asks.
        """
        view = self.view()
        if view.phase != "armed" or view.step is None or view.nonce is None:
            return self._refused("not_armed", "No set of this session is armed.")
        if not view.may_start:
            return self._refused("not_now", view.start_obstacle)
        answer = await self._ask(view.step.rig, operator, RequestAction.START, arming=view.nonce)
        # The state at work may have come before the answer.
        if answer.accepted and self.view().phase == "armed" and self.view().nonce == view.nonce:
            self._happened(SetBegun(at_s=self._at_s(), nonce=view.nonce))
        return answer

    async def stop(self, operator: str) -> OperatorAnswer:
        """Ask for the session's own set to be stopped.

        Args:
            operator: who asks.
        """
        return await self._take_off(operator, RequestAction.STOP)

    async def release(self, operator: str) -> OperatorAnswer:
        """Ask for the rig to be released from the session's own set.

        Args:
            operator: who asks.
        """
        return await self._take_off(operator, RequestAction.RELEASE)

    def skip(self) -> None:
        """Leave the next set out.

        Raises:
            ValueError: there is none, or it is armed or at work.
        """
        view = self.view()
        if view.step is None:
            raise ValueError("there is no set to skip; allowed: while one is to do")
        self._happened(Skipped(at_s=self._at_s(), step=view.step_number))

    def repeat(self, step: int | None = None) -> None:
        """Do a step once more, next.

        Args:
            step: its number; None for the last one that was done.

        Raises:
            ValueError: it is not over, or a set is armed or at work.
        """
        if step is None:
            done = [one for one in self.view().steps if one.ended is not None]
            if not done:
                raise ValueError("no set is done yet; allowed: to repeat one that is")
            step = max(done, key=lambda one: one.ended.at_s if one.ended is not None else 0.0).step.step
        self._happened(Repeated(at_s=self._at_s(), step=step))
        self._ending = None

    def end(self) -> None:
        """End the session; a set that is armed or at work is stopped first."""
        self._ending = "ended by a person"
        self._look()

    # -- the loop

    async def run(self) -> None:
        """Follow the rigs until the session is over; cancel it to leave off, and resume later from the journal."""
        if not self._journal.events and self.view().phase == "not_begun":
            self._happened(Begun(at_s=self._at_s(), plan=self.plan.digest(), last_sets=self._last_sets))
        listening = asyncio.create_task(self._listen())
        try:
            while not self._progress.ended:
                if listening.done():
                    listening.result()
                self._look()
                await asyncio.sleep(LOOK_S)
        finally:
            listening.cancel()
            await asyncio.gather(listening, *self._tasks, return_exceptions=True)
            self.connected = False

    async def _listen(self) -> None:
        """Hear the rigs, and connect again as often as needed."""
        topics = {topic.path(name): (name, topic) for name in self.rigs for topic in HEARD}
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with new_client(self._broker, f"ebbset-session-{secrets.token_hex(4)}") as client:
                    await client.subscribe([(path, 0 if of[1] is Topic.FRAME else 1) for path, of in topics.items()])
                    self.connected = True
                    async for message in client.messages:
                        name, topic = topics.get(message.topic.value, (None, None))
                        if name is not None and topic is not None:
                            self.rigs[name].take(topic, payload_of(message))
                            if topic is not Topic.FRAME:
                                self._look()
            self.connected = False
            await asyncio.sleep(RECONNECT_S)

    def _look(self) -> None:
        """Write down what the rigs and the clock say, and ask for what takes a load off where that is due."""
        for rig in self.rigs.values():
            self._see(rig)
        self._follow()
        view = self.view()
        if view.phase in ("armed", "working") and view.step is not None:
            if self._ending is not None or view.session_left_s <= 0.0:
                self._ask_off(view.step.rig, RequestAction.STOP)
        elif view.phase != "not_begun" and not self._progress.ended:
            because = self._ending or view.ended_because
            if because is not None:
                self._happened(SessionEnded(at_s=self._at_s(), because=because))

    def _see(self, rig: SessionRig) -> None:
        """Note what a rig can hold, and let go of an arming from before a restart."""
        identity = rig.identity
        if identity is not None and self.view().phase not in ("not_begun", "over"):
            loads = (identity.min_load_n, identity.max_load_n)
            if self._progress.rig_loads(rig.name) != loads:
                self._happened(RigSeen(at_s=self._at_s(), rig=rig.name, least_n=loads[0], most_n=loads[1]))
        left = self._left_armed
        if left is None or rig.name != self._step(left).rig or rig.state is None:
            return
        if rig.own_at_work:
            # Somebody started it in the meantime, so it is a set of this session after all.
            self._left_armed = None
            with contextlib.suppress(ValueError):
                self._happened(left.model_copy(update={"at_s": self._at_s()}))
                self._happened(SetBegun(at_s=self._at_s(), nonce=left.nonce))
                return
            self._ask_off(rig.name, RequestAction.STOP)
        elif rig.holds_own:
            self._ask_off(rig.name, RequestAction.RELEASE)
        else:
            self._left_armed = None

    def _follow(self) -> None:
        """Note the beginning and the end of the session's own set."""
        view = self.view()
        if view.nonce is None or view.step is None:
            return
        rig, result = self.rigs[view.step.rig], self.rigs[view.step.rig].result
        begun = rig.own_at_work or (result is not None and result.bouts > 0)
        if view.phase == "armed" and begun:
            self._happened(SetBegun(at_s=self._at_s(), nonce=view.nonce))
        if result is not None or rig.gone(self._now()):
            ended = rig.ended(view.nonce, self._at_s())
            self._happened(ended)
            if self._on_set_done is not None:
                self._on_set_done(ended, view.step)

    # -- asking

    async def _ask(self, rig: str, operator: str, action: RequestAction, **more: object) -> OperatorAnswer:
        try:
            return await Operator(self._broker, rig, operator).ask(action, **more)  # type: ignore[arg-type]
        except CommandError as error:
            return self._refused("no_answer", error.message)

    async def _take_off(self, operator: str, action: RequestAction) -> OperatorAnswer:
        view = self.view()
        if view.nonce is None or view.step is None:
            return self._refused("not_armed", "No set of this session is armed or at work, and others are not touched.")
        rig = self.rigs[view.step.rig]
        if rig.state is not None and not rig.holds_own and rig.obstacle:
            return self._refused("rig_not_free", rig.obstacle)
        return await self._ask(rig.name, operator, action)

    def _ask_off(self, rig: str, action: RequestAction) -> None:
        """Ask by itself for what takes the load off its own set, and again after a while as long as it is needed."""
        if not self.rigs[rig].holds_own or self._now() - self._asked_s < ASK_AGAIN_S:
            return
        self._asked_s = self._now()

        async def ask() -> None:
            answer = await self._ask(rig, LEADER, action)
            _log.info("session_asked", rig=rig, action=action.value, accepted=answer.accepted, code=answer.code)

        task = asyncio.get_running_loop().create_task(ask())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _refused(self, code: str, message: str) -> OperatorAnswer:
        step = self.view().step
        state = None if step is None else self.rigs[step.rig].state
        return OperatorAnswer(
            correlation_id="session-lead",
            accepted=False,
            code=code,
            message=message,
            state=State.OFFLINE.value if state is None else state.state,
        )

    # -- events

    def _happened(self, event: SessionEvent) -> None:
        """Check an event, write it down, and go on from it."""
        self._progress.take(event)
        self._journal.append(event)
        self._newest_s = event.at_s

    def _at_s(self) -> float:
        """Now, and never before the last event, whatever was done to the clock."""
        return max(self._now(), self._newest_s)

    def _step(self, armed: Armed) -> SessionStep:
        return self.plan.steps[armed.step - 1]
