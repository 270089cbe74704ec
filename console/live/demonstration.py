"""The demonstration: one whole set with broker, virtual rig, controller and operator on this machine, over real TCP.

The broker is embedded (amqtt, MQTT 3.1.1) on a free port of the loopback interface. Rig and controller are separate
processes, started exactly as a person would start them; the operator and the live view are ordinary clients. Nothing
here knows how a set is regulated.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from amqtt.broker import Broker
from rich.console import Console

from ebbset.console.exits import CommandError, Exit
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import follow, on_screen
from ebbset.console.live.operator_client import Operator
from ebbset.console.progress import progress
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.operator_messages import OperatorAnswer, RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile

RIG: Final = "demo"
READY_S: Final = 120.0
"""Generous, because the first start on a machine compiles the simulator."""
SET_S: Final = 150.0
STOP_S: Final = 8.0
ARMINGS: Final = 10


@dataclass(frozen=True, slots=True)
class Outcome:
    """Result of the demonstration: the recording, and what the live view saw."""

    recording: Path
    state: LiveState


@dataclass(frozen=True, slots=True)
class _Parts:
    """The running processes and the folder of their logs."""

    folder: Path
    processes: dict[str, asyncio.subprocess.Process] = field(default_factory=dict)


def demo_files() -> tuple[str, str]:
    """Read the demonstration's prescription and profile, as TOML text."""
    folder = files("ebbset.console.live") / "data"
    prescription, profile = folder / "demo_prescription.toml", folder / "demo_profile.toml"
    return prescription.read_text(encoding="utf-8"), profile.read_text(encoding="utf-8")


Beside = Callable[[BrokerSettings], AbstractAsyncContextManager[Awaitable[None]]]
"""Something that runs beside the set, at the same broker; the set begins once what it gives is done."""


@contextlib.asynccontextmanager
async def _nothing_beside(_broker: BrokerSettings) -> AsyncIterator[Awaitable[None]]:
    yield asyncio.sleep(0)


async def run(
    folder: Path,
    console: Console,
    *,
    prescription: Prescription,
    profile: LifterProfile,
    beside: Beside = _nothing_beside,
) -> Outcome:
    """Run one set from start to end.

    Args:
        folder: folder for recording and logs; created if missing.
        console: terminal that shows the live view.
        prescription: prescription to arm.
        profile: profile of the simulated lifter.
        beside: runs beside the set, such as a page that shows it.

    Returns:
        the recording, and what the live view saw.

    Raises:
        CommandError: a part did not start, or a request was refused.
    """
    before = await asyncio.to_thread(_recordings, folder)
    async with _broker() as broker, _parts(broker, folder, prescription.exercise) as parts:
        state = LiveState.of(prescription)
        with progress("starting rig and controller", stream=console.file):
            await _until_ready(broker, parts)
        async with beside(broker) as looked:
            await looked
            await _set(Operator(broker, RIG, "demonstration"), broker, parts, console, state, profile)
    made = sorted(await asyncio.to_thread(_recordings, folder) - before)
    if not made:
        raise CommandError(f"no recording was written to {folder}; see the logs there", Exit.DEFECT)
    return Outcome(recording=made[-1], state=state)


async def _set(
    operator: Operator,
    broker: BrokerSettings,
    parts: _Parts,
    console: Console,
    state: LiveState,
    profile: LifterProfile,
) -> None:
    """One set from its arming to its end, on the screen."""
    assert state.order is not None
    with on_screen(state, console):
        await _arm_and_start(operator, state.order, profile)
        # Follow only now, so that messages left over from an earlier arming are not taken for this set.
        following = asyncio.create_task(follow(broker, RIG, state))
        try:
            await _unless_died(following, parts, SET_S, "the set did not end")
        finally:
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)


def _recordings(folder: Path) -> set[Path]:
    """List the recordings in a folder; create it if missing."""
    folder.mkdir(parents=True, exist_ok=True)
    return set(folder.glob("*.mcap"))


async def _arm_and_start(operator: Operator, prescription: Prescription, profile: LifterProfile) -> None:
    """Arm and start; retry when a busy machine loses telemetry in between, which rightly ends an armed set.

    Raises:
        CommandError: every attempt was refused; the message quotes the last answer.
    """
    answer: OperatorAnswer | None = None
    for _ in range(ARMINGS):
        answer = await operator.ask(RequestAction.ARM, cautions_shown=True, prescription=prescription, profile=profile)
        if answer.accepted:
            answer = await operator.ask(RequestAction.START)
            if answer.accepted:
                return
        await asyncio.sleep(0.5)
    raise CommandError(f"the set could not be started: {answer.message if answer else 'no answer'}", Exit.NO)


async def _until_ready(broker: BrokerSettings, parts: _Parts) -> None:
    """Wait until the controller reports that it sees the rig."""
    seen = LiveState()
    waiting = asyncio.create_task(
        follow(broker, RIG, seen, until=lambda state: state.report is not None and state.report.state == "idle")
    )
    try:
        await _unless_died(waiting, parts, READY_S, "controller and rig did not find each other")
    finally:
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)


async def _unless_died(wanted: asyncio.Task[None], parts: _Parts, timeout_s: float, what: str) -> None:
    """Wait for a task, and give up when a process ends.

    Raises:
        CommandError: a process ended early, or the time ran out.
    """
    watches: dict[asyncio.Task[Any], str] = {
        asyncio.create_task(part.wait()): name for name, part in parts.processes.items()
    }
    try:
        waited: set[asyncio.Task[Any]] = {wanted, *watches}
        done, _ = await asyncio.wait(waited, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for watch in watches:
            watch.cancel()
        await asyncio.gather(*watches, return_exceptions=True)
    if wanted in done:
        wanted.result()
        return
    died = next((watches[task] for task in done if task in watches), None)
    if died is not None:
        raise CommandError(f"the process of the {died} ended early; see {parts.folder}/demo-{died}.log", Exit.DEFECT)
    raise CommandError(f"{what} within {timeout_s:g} s; see the logs in {parts.folder}", Exit.UNREACHABLE)


@contextlib.asynccontextmanager
async def _broker() -> AsyncIterator[BrokerSettings]:
    """Run an embedded broker on a free port of the loopback interface."""
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    logging.getLogger("transitions").setLevel(logging.CRITICAL)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    try:
        yield BrokerSettings(host="127.0.0.1", port=port, protocol="3.1.1")
    finally:
        await broker.shutdown()


@contextlib.asynccontextmanager
async def _parts(broker: BrokerSettings, folder: Path, exercise: str) -> AsyncIterator[_Parts]:
    """Run rig and controller as processes; end the controller first, so that it closes its recording."""
    where = ["--rig", RIG, "--host", broker.host, "--port", str(broker.resolved_port)]
    commands = {
        "rig": ["rig", *where, "--exercise", exercise, "--ready-after", "0.8"],
        "controller": ["serve", *where, "--recordings", str(folder)],
    }
    parts = _Parts(folder)
    with contextlib.ExitStack() as logs:
        try:
            for name, arguments in commands.items():
                log = logs.enter_context((folder / f"demo-{name}.log").open("wb"))
                parts.processes[name] = await asyncio.create_subprocess_exec(
                    sys.executable,
                    "-c",
                    "import sys; from ebbset.console.entry import main; sys.exit(main())",
                    *arguments,
                    stdin=asyncio.subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    start_new_session=True,
                )
            yield parts
        finally:
            for name in ("controller", "rig"):
                if name in parts.processes:
                    await _end(parts.processes[name])


async def _end(part: asyncio.subprocess.Process) -> None:
    if part.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            part.send_signal(signal.SIGTERM)
        try:
            await asyncio.wait_for(part.wait(), STOP_S)
        except TimeoutError:
            part.kill()
            await part.wait()
