"""Serving one rig: link, core and recorder run together until told to stop. The only place where they meet.

The way of a sample is short: the link decodes it, the core handles it, the command goes out, all in one task; only
then come reports, the recording and observers. Ticks fall due at absolute times every 20 ms, or 100 ms un-armed.
When any part dies unexpectedly the rig is told to unload, if the link still stands, and the run ends with an error;
where it does not, the rig's lease does the same.

A set is recorded in a file of its own: arming after an earlier set, or after a recording that failed, begins a new
file with a new core, which is given again what this connection knows of the rig. Where that file cannot be begun the
arming is refused; a set under way is never disturbed by its recording. While nothing is armed a file that grows
large is replaced, and removed when there was no set in it.
"""

from __future__ import annotations

import asyncio
import datetime
import platform
import secrets
import shutil
import time
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pydantic
import structlog

from ebbset.controller.link.inbox import Inbox
from ebbset.controller.link.mqtt_link import Link, own_version
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Answer, Output, SendArm, SendLoad, SendRelease, SendUnload, StateChanged
from ebbset.controller.messages.events import (
    BadInput,
    EarlierSet,
    Event,
    GuardRefused,
    Requested,
    Tick,
)
from ebbset.controller.messages.reasons import State
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.recording.reader import broken_off
from ebbset.controller.recording.replay import POLICY_FACT
from ebbset.controller.recording.writer import Recorder
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.notices import Notices
from ebbset.controller.service.policy_registry import Registry, discover
from ebbset.models.contract.problems import BadDocumentError, Problem
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.wire import RequestAction, UnloadCommand

TICK_S: Final = 0.020
UNARMED_TICK_S: Final = 0.100
SHUTDOWN_S: Final = 4.0
CANCEL_AGAIN_S: Final = 0.5
LEAST_FREE_BYTES: Final = 32 * 1024 * 1024
IDLE_FILE_BYTES: Final = 64 * 1024 * 1024
_UNARMED: Final = frozenset({State.OFFLINE, State.IDLE, State.ENDED})
_log = structlog.get_logger(__name__)

Observer = Callable[[Event, tuple[Output, ...]], None]


class Served:
    """One rig being served.

    Args:
        settings: broker, rig and files.
        registry: drop policies; the installed ones when left out.
        rng: draws identifiers and backoff jitter; from the system's entropy when left out.
        facts: further facts for the recording's metadata, such as the hash of a study file.
        observer: called with every handled input and its outputs, after the commands are out. What it raises is
            logged and ends it, not the set.

    Raises:
        BadDocumentError: settings, prescription or profile cannot be used, or recordings not be written.
    """

    def __init__(
        self,
        settings: ServeSettings,
        *,
        registry: Registry | None = None,
        rng: np.random.Generator | None = None,
        facts: Mapping[str, str] | None = None,
        observer: Observer | None = None,
    ) -> None:
        self.settings = settings
        self._registry = discover() if registry is None else registry
        self._prescription = settings.load_prescription()
        self._profile = settings.load_profile()
        settings.broker.credentials()
        settings.broker.tls_context()
        self._facts = dict(facts or {})
        self._observer = observer
        self._began_ns = time.monotonic_ns()
        self._began_at = datetime.datetime.now(datetime.UTC)
        self.inbox = Inbox(settings.rig, self.now_us, self._answer_unreadable)
        self.link = Link(
            settings.broker,
            settings.rig,
            self.inbox,
            now_us=self.now_us,
            rng=np.random.default_rng() if rng is None else rng,
            offline=codec.to_wire(offline_state(0))[1],
            fallback_unload=self._unload_payload,
        )
        self.controller = SetController(self.policies)
        self._tell_earlier()
        self.recorder = self._begin_recording()
        self.recordings: list[Path] = [self.recorder.path]
        self._notices = Notices(settings.rig)
        self._set_in_file = False
        self._earlier: EarlierSet | None = None
        self._last_command: SendArm | SendLoad | None = None
        self._stopping = False

    @property
    def policies(self) -> Mapping[str, PolicyFactory]:
        """The drop policies in use."""
        return self._registry.policies

    def now_us(self) -> int:
        """Monotonic microseconds since this object was made."""
        return (time.monotonic_ns() - self._began_ns) // 1_000

    # --- running ------------------------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event | None = None) -> int:
        """Serve until ``stop`` is set.

        Returns:
            0 after an orderly stop, 1 when a part died.
        """
        code = 0
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [
                    group.create_task(self._watched("link", self.link.run()), name="link"),
                    group.create_task(self._watched("core", self._handle_all()), name="core"),
                    group.create_task(self._watched("ticker", self._tick_all()), name="ticker"),
                ]
                try:
                    await (asyncio.Event() if stop is None else stop).wait()
                    await self._stop_in_order()
                except asyncio.CancelledError:
                    await self._unload_now()
                    raise
                await _end_tasks(tasks)
        except* Exception:
            # Told by `_watched` where it happened.
            code = 1
        finally:
            self.recorder.close()
        if self.recorder.failure is None:
            _log.info("recording_closed", path=str(self.recorder.path), lost=self.recorder.lost)
        return code

    async def _watched(self, name: str, part: Awaitable[None]) -> None:
        try:
            await part
        except Exception as error:
            _log.error("part_died", part=name, error=f"{type(error).__name__}: {error}", next="unload, then exit")
            await self._unload_now()
            raise

    async def _unload_now(self) -> None:
        """Tell the rig to unload, past the core, because a part of us died. The lease does it where this can't."""
        last, payload = self._last_command, self._unload_payload()
        if last is not None and payload is not None and self.link.up:
            await self.link.command(payload, nonce=last.nonce, lease_ms=last.lease_ms)

    def _unload_payload(self) -> bytes | None:
        """The unload command for the set that the rig is bound to, or None when it is bound to none of ours."""
        last = self._last_command
        if last is None:
            return None
        ramp_n_per_s = last.max_ramp_n_per_s if isinstance(last, SendArm) else last.ramp_n_per_s
        message = UnloadCommand(nonce=last.nonce, seq=last.seq + 1, ramp_n_per_s=ramp_n_per_s)
        return message.model_dump_json().encode()

    async def _stop_in_order(self) -> None:
        """End a set under way as a stop request would, wait for it, send what is left to say."""
        self._stopping = True
        if self.controller.state not in _UNARMED:
            _log.info("stopping_set", rig=self.settings.rig, state=self.controller.state.value)
            self.inbox.ask(
                Requested(
                    now_us=self.now_us(),
                    correlation_id="shutdown",
                    action=RequestAction.STOP,
                    operator="controller-shutdown",
                )
            )
            deadline = time.monotonic() + SHUTDOWN_S
            while self.controller.state not in _UNARMED and time.monotonic() < deadline:
                await asyncio.sleep(TICK_S)
        if self.link.up:
            await self.link.drain(1.0)

    async def _tick_all(self) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            period_s = UNARMED_TICK_S if self.controller.state in _UNARMED else TICK_S
            # Absolute times, so that lateness does not add up; periods slept through are left out.
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
            completed = self._complete(event)
            if completed is None:
                return
            event = completed
        following: Event | None = event
        while following is not None:
            following = await self._handle_one(following)

    async def _handle_one(self, event: Event) -> Event | None:
        """One event; returns the refusal that it led to where a command could not be put on the wire."""
        outputs = self.controller.handle(event)
        refused: Event | None = None
        for output in outputs:
            if isinstance(output, SendArm | SendLoad | SendUnload | SendRelease) and refused is None:
                refused = await self._command(output)
        for output in outputs:
            if not isinstance(output, codec.COMMANDS):
                self._report(output)
        self.recorder.record(event, outputs)
        self._notices.see(event)
        if isinstance(event, Tick):
            self._on_tick()
        if self._observer is not None:
            try:
                self._observer(event, outputs)
            except Exception as error:
                _log.error("observer_failed", error=f"{type(error).__name__}: {error}", next="goes on without it")
                self._observer = None
        return refused

    async def _command(self, output: SendArm | SendLoad | SendUnload | SendRelease) -> GuardRefused | None:
        try:
            payload = codec.to_wire(output)[1]
        except codec.UnsendableError as error:
            # The guard lets none such pass; if one does, it is a defect like those that the guard finds.
            _log.error("command_breaks_contract", why=str(error))
            return GuardRefused(now_us=self.now_us(), rule="wire_contract", detail=str(error)[:400])
        if isinstance(output, SendArm | SendLoad):
            self._last_command = output
            self._set_in_file = True
        last = self._last_command
        await self.link.command(payload, nonce=output.nonce, lease_ms=1_000 if last is None else last.lease_ms)
        if isinstance(output, SendRelease):
            self._last_command = None
        return None

    def _report(self, output: Output) -> None:
        try:
            self.link.report(*codec.to_wire(output))
        except codec.UnsendableError as error:
            _log.error("report_breaks_contract", why=str(error))

    def _on_tick(self) -> None:
        self.inbox.report()
        if self.recorder.size_bytes > IDLE_FILE_BYTES and self.controller.state in _UNARMED:
            self._recording_obstacle()

    # --- arming and recording -----------------------------------------------------------------------------------

    def _complete(self, event: Requested) -> Requested | None:
        """Fill in what only the shell has; None when it refused the request by itself."""
        if event.action is not RequestAction.ARM:
            return event
        if self.controller.state in _UNARMED:
            obstacle = "the controller is stopping" if self._stopping else self._recording_obstacle()
            if obstacle is not None:
                _log.error("arming_refused", why=obstacle)
                code = "controller_stopping" if self._stopping else "recording_failed"
                self._refuse(event.correlation_id, code, obstacle)
                return None
        prescription = event.prescription or self._prescription
        profile = event.profile
        if profile is None and (event.prescription is None or self._fits(event)):
            profile = self._profile
        return replace(
            event,
            fresh_nonce=secrets.token_hex(8),
            prescription=prescription,
            profile=profile,
            earlier=self._earlier_of(profile),
        )

    def _earlier_of(self, profile: LifterProfile | None) -> EarlierSet | None:
        """The set before, when it was this person's; nobody else's goes into their recording."""
        earlier = self._earlier
        if earlier is None or profile is None or earlier.lifter != profile.lifter:
            return None
        return earlier

    def _answer_unreadable(self, correlation_id: str, why: BadInput) -> None:
        self._refuse(correlation_id, why.code, why.detail)

    def _refuse(self, correlation_id: str, code: str, message: str) -> None:
        """Answer a request that never reaches the core."""
        state = self.controller.state
        self._report(
            Answer(correlation_id=correlation_id, accepted=False, code=code, message=message, nonce=None, state=state)
        )

    def _fits(self, event: Requested) -> bool:
        ours, theirs = self._profile, event.prescription
        return ours is not None and theirs is not None and ours.exercise == theirs.exercise

    def _recording_obstacle(self) -> str | None:
        """Why the next set could not be recorded; begins a new file where one is due."""
        folder = self.settings.recordings
        try:
            free = shutil.disk_usage(folder).free
            if free < LEAST_FREE_BYTES:
                return f"recordings: {free} bytes are free in {folder}; allowed: at least {LEAST_FREE_BYTES}"
            too_long = self.recorder.size_bytes > IDLE_FILE_BYTES
            if self._set_in_file or self.recorder.failure is not None or too_long:
                self._begin_anew()
        except (OSError, BadDocumentError) as error:
            return f"recordings: {error}"
        return None

    def _begin_anew(self) -> None:
        following, before = self._begin_recording(), self.recorder
        before.close()
        if before.failure is None and not self._set_in_file:
            # Hours of waiting with nobody at the rig are no recording of a set.
            before.path.unlink(missing_ok=True)
            self.recordings.remove(before.path)
        self.recorder = following
        self.recordings.append(following.path)
        self._set_in_file = False
        # a core of its own for each recording, but the person is the same
        self._earlier = self.controller.left_behind or self._earlier
        self.controller = SetController(self.policies)
        for known in self._notices.known:
            self.recorder.record(known, self.controller.handle(known))

    def _tell_earlier(self) -> None:
        """Say how an earlier run ended that did not end in order; whatever it was, a person has to arm anew."""
        files = sorted(self.settings.recordings.glob(f"{self.settings.rig}-*.mcap"))
        try:
            state = broken_off(files[-1]) if files else None
        except OSError as error:
            _log.warning("earlier_recording_unreadable", path=str(files[-1]), error=str(error))
            return
        if state is not None:
            _log.warning("earlier_run_broke_off", path=str(files[-1]), state=state, next="un-armed until a person arms")

    def _begin_recording(self) -> Recorder:
        folder = self.settings.recordings
        now = datetime.datetime.now(datetime.UTC)
        path = folder / f"{self.settings.rig}-{now:%Y%m%dT%H%M%S%f}Z.mcap"
        versions = {"ebbset": own_version(), "python": platform.python_version(), "numpy": np.__version__}
        metadata = {
            "rig": self.settings.rig,
            "wall_clock_at_zero": self._began_at.isoformat(),
            "begun": now.isoformat(),
            "protocol": self.settings.broker.protocol,
            "pydantic": pydantic.VERSION,
            **versions,
            **{f"{POLICY_FACT}{name}": origin for name, origin in self._registry.origins.items()},
            **self._facts,
        }
        try:
            folder.mkdir(parents=True, exist_ok=True)
            recorder = Recorder(path, metadata)
        except OSError as error:
            problem = Problem("recordings", str(folder), f"a folder that can be written ({error})", "value")
            raise BadDocumentError("settings", [problem]) from None
        _log.info("recording_begun", path=str(path))
        return recorder


async def _end_tasks(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancel until they are done.

    Until Python 3.12 `asyncio.wait_for` can take a cancellation for the end of what it waits for
    (cpython issue 86296), so that a task told once may go on.
    """
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=CANCEL_AGAIN_S)


def offline_state(now_us: int) -> StateChanged:
    """The state that a controller's last will reports."""
    return StateChanged(
        now_us=now_us,
        state=State.OFFLINE,
        nonce=None,
        prescription=None,
        prescription_hash=None,
        bout=0,
        target_n=(),
        applied_n=(),
        repetitions=0,
        drops=0,
        budget_spent=None,
        budget_limit=None,
        velocity_m_s=(),
        position_m=(),
    )


async def serve(
    settings: ServeSettings,
    *,
    stop: asyncio.Event | None = None,
    rng: np.random.Generator | None = None,
    facts: Mapping[str, str] | None = None,
    observer: Observer | None = None,
) -> int:
    """Serve one rig until ``stop`` is set; arguments and errors as for `Served`, result as for `Served.run`."""
    return await Served(settings, rng=rng, facts=facts, observer=observer).run(stop)
