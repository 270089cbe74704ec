"""What people ask of rigs through the page, and what became of it.

A stop goes out at once over the page's standing connection, before anything else is done. If that is broken, it is sent
over a new one, again and again for ten seconds, and the page says meanwhile that it is not sent yet.
"""

from __future__ import annotations

import asyncio
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Any, Final

import aiomqtt
import structlog

from ebbset.console.exits import CommandError
from ebbset.console.live.operator_client import Operator, ask_until_there
from ebbset.console.page.rigs.rig_hub import RigHub
from ebbset.models.contract.operator_messages import OperatorAnswer, OperatorRequest, RequestAction

SEND_S: Final = 0.25
ANSWER_S: Final = 1.0
AGAIN_S: Final = 10.0
MOST: Final = 500
"""Requests remembered, so that their pages can tell what became of them."""
_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Ask:
    """One request of one person.

    Attributes:
        key: names it in an address.
        rig: whom.
        action: what.
        who: name of the person.
        asked_s: when, clock of the page, s.
        sent: whether it went out.
        answer: the controller's answer.
        problem: why it did not go out, or was not answered.
    """

    key: str
    rig: str
    action: RequestAction
    who: str
    asked_s: float
    sent: bool = False
    answer: OperatorAnswer | None = None
    problem: str = ""


@dataclass(slots=True)
class Asks:
    """All requests of one run of the page.

    Attributes:
        hub: the page's connection.
    """

    hub: RigHub
    _asks: OrderedDict[str, Ask] = field(default_factory=OrderedDict)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    def find(self, key: str | None, rig: str) -> Ask | None:
        """A request by its key, if it was made of this rig.

        Args:
            key: from an address.
            rig: whose page it is.
        """
        found = self._asks.get(key or "")
        return found if found is not None and found.rig == rig else None

    async def stop(self, rig: str, who: str) -> Ask:
        """Ask to stop. Returns once it is sent, or a quarter of a second later.

        Args:
            rig: whom.
            who: name of the person.
        """
        ask = self._new(rig, RequestAction.STOP, who)
        request = OperatorRequest(correlation_id=secrets.token_hex(8), action=ask.action, operator=who)
        try:
            async with asyncio.timeout(SEND_S):
                await self.hub.publish(rig, request)
            ask.sent = True
        except (aiomqtt.MqttError, TimeoutError) as error:
            ask.problem = str(error) or "the broker did not take it"
        _log.info("stop_asked", rig=rig, who=who, sent=ask.sent)
        task = asyncio.create_task(self._follow_stop(ask, request))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return ask

    async def _follow_stop(self, ask: Ask, request: OperatorRequest) -> None:
        """Wait for the answer; where none comes, ask again over a connection of its own."""
        if ask.sent:
            ask.answer = await self._answer(ask.rig, request.correlation_id, ANSWER_S)
            if ask.answer is not None:
                return
        operator = Operator(self.hub.broker, ask.rig, ask.who)
        try:
            ask.answer = await ask_until_there(lambda: operator.ask(RequestAction.STOP), AGAIN_S)
            ask.sent, ask.problem = True, ""
        except CommandError as error:
            ask.problem = error.message

    async def ask(self, action: RequestAction, rig: str, who: str, **more: Any) -> Ask:
        """Ask for anything but a stop, and wait for the answer.

        Args:
            action: what.
            rig: whom.
            who: name of the person.
            more: further parts of the request, as for `Operator.ask`.
        """
        ask = self._new(rig, action, who)
        try:
            ask.answer = await Operator(self.hub.broker, rig, who).ask(action, **more)
            ask.sent = True
        except CommandError as error:
            ask.problem = error.message
        _log.info("asked", action=action.value, rig=rig, who=who, code=ask.answer.code if ask.answer else "no_answer")
        return ask

    async def close(self) -> None:
        """End what is still under way."""
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _new(self, rig: str, action: RequestAction, who: str) -> Ask:
        ask = Ask(secrets.token_hex(8), rig, action, who, self.hub.now_s())
        self._asks[ask.key] = ask
        while len(self._asks) > MOST:
            self._asks.popitem(last=False)
        return ask

    async def _answer(self, rig: str, correlation_id: str, timeout_s: float) -> OperatorAnswer | None:
        """The answer with a correlation id, as the page hears it."""
        heard = asyncio.Event()

        def look(about: str | None) -> None:
            watch = self.hub.watches.get(rig)
            if about == rig and watch is not None and correlation_id in watch.answers:
                heard.set()

        self.hub.listeners.add(look)
        try:
            look(rig)
            async with asyncio.timeout(timeout_s):
                await heard.wait()
            return self.hub.watches[rig].answers[correlation_id]
        except TimeoutError:
            return None
        finally:
            self.hub.listeners.discard(look)
