"""An operator: sends one request to the controller over MQTT and waits for the answer.

It knows only the wire contract, as an operator panel made by somebody else would.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Awaitable, Callable
from typing import Any, Final

import aiomqtt

from ebbset.console.exits import CommandError, Exit
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.controller_messages import StateReport
from ebbset.models.contract.operator_messages import NEEDED, OperatorAnswer, OperatorRequest, RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import BadMessageError, Topic, decode

ANSWER_TIMEOUT_S: Final = 5.0
ASK_AGAIN_S: Final = 0.5
NOT_THERE: Final = frozenset({"rig_offline", "no_telemetry", "not_while_offline", "rig_not_heard"})
"""Codes of refusals that say that the rig is not there yet."""
_NOTHING_ARMED: Final = "nothing-is-armed"
"""Named as the arming when the controller says that nothing is; it then says why it cannot start."""


class Operator:
    """One operator of one rig, with a separate connection for each request.

    Args:
        broker: broker to connect to.
        rig: name of the rig.
        name: name of the operator; recorded with the request.
    """

    def __init__(self, broker: BrokerSettings, rig: str, name: str) -> None:
        self._broker = broker
        self._rig = rig
        self._name = name

    async def ask(
        self,
        action: RequestAction,
        *,
        cautions_shown: bool = False,
        prescription: Prescription | None = None,
        profile: LifterProfile | None = None,
        arming: str | None = None,
        timeout_s: float = ANSWER_TIMEOUT_S,
    ) -> OperatorAnswer:
        """Send a request and wait for the answer with its correlation id.

        Args:
            action: what to ask for.
            cautions_shown: whether the lifter saw and confirmed the cautions; needed to arm.
            prescription: prescription to arm; None for the one given to `serve`.
            profile: profile of the lifter; None for the one given to `serve`.
            arming: nonce of the arming to start; None for whatever is armed.
            timeout_s: longest wait for the answer, s.

        Returns:
            the controller's answer, which may be a refusal.

        Raises:
            CommandError: the broker cannot be reached, or no answer came in time.
        """
        content: dict[str, Any] = {
            "correlation_id": secrets.token_hex(8),
            "action": action,
            "operator": self._name,
            "cautions_shown": cautions_shown,
            "prescription": prescription,
            "profile": profile,
        }
        client = new_client(self._broker, f"ebbset-operator-{secrets.token_hex(4)}")
        try:
            async with client:
                await client.subscribe(Topic.ANSWER.path(self._rig), qos=1)
                async with asyncio.timeout(timeout_s):
                    if action in NEEDED:
                        content |= await self._look(client, action)
                    if arming is not None:
                        content["arming"] = arming
                    request = OperatorRequest.model_validate(content)
                    await client.publish(Topic.REQUEST.path(self._rig), request.model_dump_json(), qos=1)
                    return await self._answer(client, request.correlation_id)
        except TimeoutError:
            raise CommandError(
                f"no answer for rig {self._rig!r} within {timeout_s:g} s; is `ebbset serve --rig {self._rig}` running "
                f"at this broker ({self._broker.host}:{self._broker.resolved_port})?",
                Exit.UNREACHABLE,
            ) from None
        except aiomqtt.MqttError as error:
            raise no_broker(self._broker, error) from None

    async def _look(self, client: aiomqtt.Client, action: RequestAction) -> dict[str, str]:
        """What the request needs from the controller's newest state: its ticket, and what is armed."""
        await client.subscribe(Topic.STATE.path(self._rig), qos=0)
        async for message in client.messages:
            try:
                state: StateReport = decode(Topic.STATE, payload_of(message))
            except BadMessageError:
                # An answer to somebody else, or no state that anybody could act on.
                continue
            if state.ticket is not None:
                armed = {"arming": state.nonce or _NOTHING_ARMED} if action is RequestAction.START else {}
                return {"ticket": state.ticket, **armed}
        raise TimeoutError

    async def _answer(self, client: aiomqtt.Client, correlation_id: str) -> OperatorAnswer:
        async for message in client.messages:
            try:
                answer: OperatorAnswer = decode(Topic.ANSWER, payload_of(message))
            except BadMessageError:
                # A malformed answer was meant for somebody else, or ours is still to come.
                continue
            if answer.correlation_id == correlation_id:
                return answer
        raise TimeoutError


async def ask_until_there(ask: Callable[[], Awaitable[OperatorAnswer]], wait_s: float) -> OperatorAnswer:
    """Ask, and ask again while broker, controller or rig are not there yet.

    Only what says that somebody is missing is asked again; any other refusal is the answer.

    Args:
        ask: makes one request.
        wait_s: longest time to keep asking, seconds; 0 to ask once.

    Raises:
        CommandError: nobody answered in that time.
    """
    until_s = time.monotonic() + wait_s
    while True:
        try:
            answer = await ask()
        except CommandError as error:
            if error.code is not Exit.UNREACHABLE or time.monotonic() >= until_s:
                raise
        else:
            if answer.accepted or answer.code not in NOT_THERE or time.monotonic() >= until_s:
                return answer
        await asyncio.sleep(min(ASK_AGAIN_S, max(until_s - time.monotonic(), 0.0)))


def payload_of(message: aiomqtt.Message) -> bytes:
    """Return the payload as bytes, whatever type the client gives it."""
    return message.payload if isinstance(message.payload, bytes) else str(message.payload or "").encode()


def no_broker(broker: BrokerSettings, error: Exception) -> CommandError:
    """Make the error for a broker that cannot be reached or that refuses the connection.

    Args:
        broker: the broker.
        error: what the client raised.
    """
    return CommandError(
        f"no connection to the broker at {broker.host}:{broker.resolved_port} "
        f"(MQTT {broker.protocol}{', TLS' if broker.uses_tls else ''}): {error}",
        Exit.UNREACHABLE,
    )
