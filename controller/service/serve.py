"""Serving one rig: link, core and recorder run together until told to stop. The only place where they meet.

A sample takes a short way: the link decodes it, the core handles it, the command goes out, all in one task; reports,
the recording and observers come after that. Ticks fall due at absolute times, every 20 ms, or 100 ms while un-armed.
When any part dies unexpectedly, the rig is told to unload if the link is still up, and the run ends with an error;
without a link the rig's lease unloads it.

Each set is recorded in a file of its own (`recording_rotation`), which begins with a new core and is closed when the
set is over. That core first handles again what this connection knows about the rig. If the file cannot be started, the
arming is refused; a recording never disturbs a set under way.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Final

import numpy as np
import structlog

from ebbset.controller.link.inbox import Inbox
from ebbset.controller.link.mqtt_link import Link
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Answer, Output, SendArm, SendLoad, SendRelease, SendUnload, StateChanged
from ebbset.controller.messages.events import Event, GuardRefused, Requested, Tick
from ebbset.controller.messages.reasons import AnswerCode, State
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.recording.replay import POLICY_FACT
from ebbset.controller.recording.writer import MACHINE_CLOCK_FACT, Recorder
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.arming import ArmRequests
from ebbset.controller.service.arming_turns import ArmingTurns
from ebbset.controller.service.exposure import tell_exposure
from ebbset.controller.service.log_context import logging_for, note_set
from ebbset.controller.service.notices import Notices
from ebbset.controller.service.policy_registry import Registry, discover
from ebbset.controller.service.recording_rotation import CannotRecordError, RecordingRotation, log_interrupted_run
from ebbset.controller.service.request_gate import RequestGate
from ebbset.controller.service.shutdown import FallbackUnload, cancel_until_done, offline_state
from ebbset.models.contract.operator_messages import RequestAction

TICK_S: Final = 0.020
UNARMED_TICK_S: Final = 0.100
SHUTDOWN_S: Final = 4.0
_UNARMED: Final = frozenset({State.OFFLINE, State.IDLE, State.ENDED})
_STOPPABLE: Final = frozenset({State.ARMED, State.WORKING, State.RESTING})
_log = structlog.get_logger(__name__)

Observer = Callable[[Event, tuple[Output, ...]], None]


class Served:
    """One rig being served.

    Args:
        settings: broker, rig and files.
        registry: drop policies; the installed ones when left out.
        rng: draws identifiers and backoff jitter; from the system's entropy when left out.
        facts: further facts for the recording's metadata, such as the hash of a study file.
        observer: called with every handled input and its outputs, after the commands are out. When it raises, the
            error is logged and the observer is not called again; the set goes on.
        telemetry_per_s: as for `Inbox`.
        arming_turns: shared with the other rigs of the same loop, if there are any.

    Attributes:
        broke_off: the newest recording of an earlier run had no end.
        command_sent_us: when the last command was handed to the network, by the clock of `now_us`.

    Raises:
        BadDocumentError: settings, prescription or profile cannot be used, or recordings cannot be written.
    """

    def __init__(
        self,
        settings: ServeSettings,
        *,
        registry: Registry | None = None,
        rng: np.random.Generator | None = None,
        facts: Mapping[str, str] | None = None,
        observer: Observer | None = None,
        telemetry_per_s: float | None = None,
        arming_turns: ArmingTurns | None = None,
    ) -> None:
        self.settings = settings
        self._registry = discover() if registry is None else registry
        self._arm_requests = ArmRequests(settings)
        self._arming_turns = ArmingTurns() if arming_turns is None else arming_turns
        settings.broker.credentials()
        settings.broker.tls_context()
        self._observer = observer
        self._began_ns = time.monotonic_ns()
        began_at = datetime.datetime.now(datetime.UTC)
        self._fallback = FallbackUnload()
        self._gate = RequestGate(self.now_us, lambda: self.controller.state, self._report)
        self.inbox = Inbox(
            settings.rig,
            self.now_us,
            self._gate.unreadable,
            stop_matters=lambda: self.controller.state in _STOPPABLE,
            overtaken=self._gate.overtaken,
            telemetry_per_s=telemetry_per_s,
        )
        self.link = Link(
            settings.broker,
            settings.rig,
            self.inbox,
            now_us=self.now_us,
            rng=np.random.default_rng() if rng is None else rng,
            offline=codec.to_wire(offline_state(0))[1],
            fallback_unload=self._fallback.payload,
        )
        self.controller = SetController(self.policies)
        self.broke_off = log_interrupted_run(settings)
        origins = {f"{POLICY_FACT}{name}": origin for name, origin in self._registry.origins.items()}
        clocks = {MACHINE_CLOCK_FACT: f"{self._began_ns / 1e9:.6f}"}
        self.rotation = RecordingRotation(settings, began_at, {**origins, **clocks, **(facts or {})})
        self._notices = Notices(settings.rig)
        self.command_sent_us = 0
        self._stopping = False
        self._unarmed = asyncio.Event()
        self._unarmed.set()

    @property
    def policies(self) -> Mapping[str, PolicyFactory]:
        """The drop policies in use."""
        return self._registry.policies

    @property
    def recordings(self) -> list[Path]:
        """The recording files of this run, oldest first."""
        return self.rotation.paths

    @property
    def state(self) -> State:
        """State of the set."""
        return self.controller.state

    @property
    def recorder(self) -> Recorder:
        """The open recording."""
        return self.rotation.recorder

    @property
    def dropped(self) -> Counter[str]:
        """Messages dropped so far, by the queue that dropped them."""
        return self.inbox.dropped + self.link.dropped

    def now_us(self) -> int:
        """Monotonic microseconds since this object was made."""
        return (time.monotonic_ns() - self._began_ns) // 1_000

    # --- running ------------------------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event | None = None) -> int:
        """Serve until ``stop`` is set, or until cancelled when it is left out.

        Args:
            stop: set by the caller to end the service in order.

        Returns:
            0 after an orderly stop, 1 when a part died.
        """
        code = 0
        try:
            async with asyncio.TaskGroup() as group:
                telling = group.create_task(self._tell_exposure())
                tasks = [
                    group.create_task(self._watched("link", self.link.run()), name="link"),
                    group.create_task(self._watched("core", self._handle_all()), name="core"),
                    group.create_task(self._watched("ticker", self._tick_all()), name="ticker"),
                ]
                try:
                    await (asyncio.Event() if stop is None else stop).wait()
                    await self._stop_in_order()
                except asyncio.CancelledError:
                    await self._fallback.send(self.link)
                    raise
                await cancel_until_done([*tasks, telling])
        except* Exception:
            # `_watched` has logged which part died and why.
            code = 1
        finally:
            # In a thread, here and where files are begun: a slow disk must not hold up other rigs in the same loop.
            await asyncio.to_thread(self.rotation.close)
        return code

    async def retire(self) -> None:
        """Arm no more; returns as soon as no set is armed or under way. The caller then ends the run."""
        self._stopping = True
        await self._unarmed.wait()

    async def _watched(self, name: str, part: Awaitable[None]) -> None:
        try:
            await part
        except Exception as error:
            _log.error("part_died", part=name, error=f"{type(error).__name__}: {error}", next="unload, then exit")
            await self._fallback.send(self.link)
            raise

    async def _tell_exposure(self) -> None:
        try:
            await tell_exposure(self.settings.broker, self.settings.rig, self.link)
        except Exception as error:
            # It only tells; nothing of it may end a set.
            _log.error("exposure_not_known", error=f"{type(error).__name__}: {error}", next="goes on serving")

    async def _stop_in_order(self) -> None:
        """End a set under way as a stop request would, wait for it, and send the reports that still wait."""
        self._stopping = True
        if not self._unarmed.is_set():
            _log.info("stopping_set", rig=self.settings.rig, state=self.controller.state.value)
            self.inbox.ask(
                Requested(
                    now_us=self.now_us(),
                    correlation_id="shutdown",
                    action=RequestAction.STOP,
                    operator="controller-shutdown",
                )
            )
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SHUTDOWN_S):
                    await self._unarmed.wait()
        if self.link.up:
            await self.link.drain(1.0)

    async def _tick_all(self) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            period_s = UNARMED_TICK_S if self._unarmed.is_set() else TICK_S
            # Absolute times, so that lateness does not add up; ticks that were slept through are left out.
            due = max(due + period_s, loop.time() - TICK_S)
            await asyncio.sleep(due - loop.time())
            self.inbox.tick()

    async def _handle_all(self) -> None:
        while True:
            await self.handle(await self.inbox.get())

    # --- one input ----------------------------------------------------------------------------------------------

    async def handle(self, event: Event) -> None:
        """Take one event through core, wire and recording."""
        if isinstance(event, Requested):
            event = self._gate.let_in(event)
        if not isinstance(event, Requested) or event.action is not RequestAction.ARM:
            await self._handle_through(event)
        elif self._unarmed.is_set():
            async with self._arming_turns.turn():
                await self._arm(event)
        else:
            # The core will refuse it, and the set that it has must not wait for other rigs.
            await self._arm(event)

    async def _handle_through(self, event: Event) -> None:
        """One event, and what follows from it."""
        following: Event | None = event
        armed = not self._unarmed.is_set()
        while following is not None:
            following = await self._handle_one(following)
        if armed and self._unarmed.is_set():
            self.rotation.end_set()
            note_set(None)

    async def _handle_one(self, event: Event) -> Event | None:
        """One event; returns a refusal for the core to handle next when a command could not be put on the wire."""
        outputs = self._core_outputs(event)
        refused: Event | None = None
        for output in outputs:
            if isinstance(output, SendArm | SendLoad | SendUnload | SendRelease) and refused is None:
                refused = await self._command(output)
        for output in outputs:
            if not isinstance(output, codec.COMMANDS):
                self._report(output)
        if self.controller.state in _UNARMED:
            # Not before the result waits to be sent: an orderly stop drains the reports as soon as the set is over.
            self._unarmed.set()
        self.rotation.record(event, outputs)
        self._notices.see(event)
        if isinstance(event, Tick):
            await self._on_tick()
        if self._observer is not None:
            try:
                self._observer(event, outputs)
            except Exception as error:
                _log.error("observer_failed", error=f"{type(error).__name__}: {error}", next="goes on without it")
                self._observer = None
        return refused

    def _core_outputs(self, event: Event) -> tuple[Output, ...]:
        outputs = self.controller.handle(event)
        if self.controller.state not in _UNARMED:
            # Also where its arming never went out, since a defect kept it: then the file tells of that.
            self.rotation.note_set()
            self._unarmed.clear()
        return outputs

    async def _command(self, output: SendArm | SendLoad | SendUnload | SendRelease) -> GuardRefused | None:
        try:
            payload = codec.to_wire(output)[1]
        except codec.UnsendableError as error:
            # The guard should have refused it; a command that gets here is a defect and ends the set like a refusal.
            _log.error("command_breaks_contract", why=str(error))
            return GuardRefused(now_us=self.now_us(), rule="wire_contract", detail=str(error)[:400])
        if isinstance(output, SendArm | SendLoad):
            self._fallback.note(output)
        if isinstance(output, SendArm):
            note_set(output.nonce)
        await self.link.command(payload, nonce=output.nonce, lease_ms=self._fallback.lease_ms)
        self.command_sent_us = self.now_us()
        if isinstance(output, SendRelease):
            self._fallback.note(output)
        return None

    def _report(self, output: Output) -> None:
        try:
            if isinstance(output, StateChanged):
                facts = {"ticket": self._gate.ticket, "recording_failure": self.rotation.failure}
                self.link.report(*codec.to_wire(output, **facts))
                return
            if isinstance(output, Answer):
                self._gate.note(output)
            self.link.report(*codec.to_wire(output))
        except codec.UnsendableError as error:
            _log.error("report_breaks_contract", why=str(error))

    async def _on_tick(self) -> None:
        self.inbox.report()
        if self.rotation.too_large and self._unarmed.is_set():
            await self._recording_obstacle()

    # --- arming and recording -----------------------------------------------------------------------------------

    async def _arm(self, request: Requested) -> None:
        if await self._refuses_arming(request):
            return
        if self.inbox.stop_asked:
            # It came while the arming waited for its turn or its file.
            self._gate.refuse_overtaken(request)
            return
        request = self._arm_requests.completed(request)
        simulated = self._arm_requests.refusal(request, self._notices.known)
        if simulated is not None:
            self._gate.refuse(request.correlation_id, "simulated_profile", simulated)
            return
        await self._handle_through(request)

    async def _refuses_arming(self, request: Requested) -> bool:
        """Refuse an arm request that must not reach the core; while a set is armed the core answers it."""
        if not self._unarmed.is_set():
            return False
        if self._stopping:
            obstacle: str | None = "the controller is stopping"
        else:
            obstacle = await self._recording_obstacle()
        if obstacle is None:
            return False
        _log.error("arming_refused", why=obstacle)
        code = AnswerCode.CONTROLLER_STOPPING if self._stopping else AnswerCode.RECORDING_FAILED
        self._gate.refuse(request.correlation_id, code, obstacle)
        return True

    async def _recording_obstacle(self) -> str | None:
        """Why the next set could not be recorded; begins a new file with a new core where one is due."""
        try:
            begun = await asyncio.to_thread(self.rotation.prepare)
        except CannotRecordError as error:
            return str(error)
        if begun:
            # The core is new, but the lifter is still as tired as the last set left them.
            self._arm_requests.note_earlier(self.controller.left_behind)
            self.controller = SetController(self.policies)
            for known in self._notices.known:
                self.rotation.record(known, self._core_outputs(known))
        return None


async def serve(
    settings: ServeSettings,
    *,
    stop: asyncio.Event | None = None,
    rng: np.random.Generator | None = None,
    facts: Mapping[str, str] | None = None,
    observer: Observer | None = None,
) -> int:
    """Serve one rig until ``stop`` is set.

    Args:
        settings: broker, rig and files.
        stop: set by the caller to end the service in order.
        rng: as for `Served`.
        facts: as for `Served`.
        observer: as for `Served`.

    Returns:
        0 after an orderly stop, 1 when a part died.

    Raises:
        BadDocumentError: settings, prescription or profile cannot be used, or recordings cannot be written.
    """
    with logging_for(settings.rig):
        return await Served(settings, rng=rng, facts=facts, observer=observer).run(stop)
