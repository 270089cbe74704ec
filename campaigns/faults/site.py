"""The test bench of the fault campaign: a real Mosquitto, a rig and a controller as processes, and an operator.

What lives here: starting, watching and ending them, and reading their files. What never does: deciding on faults or
judging them. Processes are ended only by their own handle.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import aiomqtt

from campaigns.faults.network import Relay
from ebbset.models.contract.prescription import Prescription
from tests.support.brokers import free_port

RIG: Final = "bench"
ORDER: Final = Prescription.model_validate(
    {
        "name": "Fault campaign",
        "exercise": "row",
        "load": {"start_n": 700.0, "floor_n": 150.0, "ramp_n_per_s": 1_000.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.2}},
        "stop": {"max_duration_s": 120.0, "max_pause_s": 4.0},
    }
)
LEASE_S: Final = ORDER.safety.lease_ms / 1_000
READY_S: Final = 240.0
"""Programs of a busy machine take long to start, and one that simulates may have to compile first."""
_LOOK_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class Truth:
    """True state of the rig at one moment; ``at_s`` is the machine's monotonic clock."""

    at_s: float
    target_n: float
    applied_n: float
    frame: int
    docked: bool
    injected: int


def read_truth(path: Path) -> list[Truth]:
    """Every complete line of a truth file."""
    rows = []
    for line in path.read_text(encoding="utf-8").splitlines():
        with contextlib.suppress(ValueError):
            at, target, applied, frame, docked, injected = line.split()
            rows.append(Truth(float(at), float(target), float(applied), int(frame), docked == "1", int(injected)))
    return rows


@dataclass(slots=True)
class Site:
    """One broker, one rig, its controllers. All files lie in ``folder``."""

    folder: Path
    port: int = field(default_factory=free_port)
    rig: str = RIG
    order: Prescription = ORDER
    rig_way: Relay = field(init=False)
    controller_way: Relay = field(init=False)
    processes: dict[str, asyncio.subprocess.Process] = field(default_factory=dict)
    metrics_ports: dict[str, int] = field(default_factory=dict)
    heard: list[tuple[float, str, dict[str, Any]]] = field(default_factory=list)
    _watching: asyncio.Task[None] | None = None
    _logging: list[asyncio.Task[None]] = field(default_factory=list)
    _news: asyncio.Event = field(default_factory=asyncio.Event)
    _client: aiomqtt.Client | None = None

    def __post_init__(self) -> None:
        self.rig_way = Relay(self.port)
        self.controller_way = Relay(self.port)

    # --- processes ----------------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Broker, relays, rig, controller; returns when the controller knows the rig."""
        await self.start_broker()
        await self.rig_way.start()
        await self.controller_way.start()
        self._watching = asyncio.create_task(self._watch())
        await self.start_rig("rig", self.rig_way.port)
        await self.start_controller("controller", self.controller_way.port)
        await self.until_state("idle", timeout_s=READY_S)

    async def start_broker(self) -> None:
        """Mosquitto on this site's port."""
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if program is None:
            raise FileNotFoundError("mosquitto is not installed (Debian: apt-get install mosquitto)")
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
            "log_dest stderr\nlog_type information\nlog_type error\n"
        )
        before = self.log("broker").count(" running")
        await self._spawn("broker", program, "-c", str(config))
        if not await self.until(lambda: self.log("broker").count(" running") > before, timeout_s=READY_S):
            raise TimeoutError("mosquitto does not say that it is running")

    async def start_rig(self, name: str, port: int, *, seed: int = 1) -> None:
        """Start a faulty rig; its truth goes to ``<name>.truth``.

        Args:
            name: of the process.
            port: where the rig connects.
            seed: of the rig and its lifter.
        """
        truth = self.folder / f"{name}.truth"
        arguments = ("-m", "campaigns.faults.rig", str(port), self.rig, str(truth), str(seed))
        await self._spawn(name, sys.executable, *arguments)

    async def start_controller(self, name: str, port: int, *, after: str | None = None) -> None:
        """Start a controller whose clock can be made to jump.

        Args:
            name: of the process.
            port: where the controller connects.
            after: name of an earlier controller whose folder of recordings this one uses; ``None``: its own folder.
        """
        order = self.folder / "order.toml"
        order.write_text(self.order.to_toml(), encoding="utf-8")
        arguments = (
            "-m",
            "campaigns.faults.serve",
            str(port),
            self.rig,
            str(self.recordings(after or name)),
            str(order),
            str(self.metrics_ports.setdefault(name, free_port())),
        )
        await self._spawn(name, sys.executable, *arguments)

    async def _spawn(self, name: str, program: str, *arguments: str) -> None:
        process = await asyncio.create_subprocess_exec(
            program,
            *arguments,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        self.processes[name] = process
        self._logging.append(asyncio.create_task(self._keep_log(name, process)))

    async def _keep_log(self, name: str, process: asyncio.subprocess.Process) -> None:
        """Log the output of a process through a pipe, so that a full disk of its own does not silence it."""
        with (self.folder / f"{name}.log").open("ab", buffering=0) as log:
            while process.stdout is not None and (line := await process.stdout.readline()):
                log.write(line)
                self._news.set()

    def log(self, name: str) -> str:
        """What a process of this site has said so far."""
        path = self.folder / f"{name}.log"
        return path.read_text(encoding="utf-8") if path.exists() else ""

    def signal(self, name: str, number: int) -> None:
        """Send a signal to one of this site's processes.

        Args:
            name: of the process.
            number: of the signal.
        """
        self.processes[name].send_signal(number)

    async def gone(self, name: str) -> None:
        """Wait until a process has ended."""
        await asyncio.wait_for(self.processes[name].wait(), READY_S)

    def inject(self, what: str, *, rig: str = "rig") -> None:
        """Inject a fault into a rig.

        Args:
            what: when (``now``, ``moving``, ``still``) and which fault, separated by a space.
            rig: name of the rig's process.

        Raises:
            RuntimeError: the rig has no standard input.
        """
        stdin = self.processes[rig].stdin
        if stdin is None:
            raise RuntimeError("the rig has no standard input")
        stdin.write(what.encode() + b"\n")

    async def stop(self) -> None:
        """End every process, the broker last; kill those that do not end by themselves."""
        for name in sorted(self.processes, key=lambda name: name == "broker"):
            process = self.processes[name]
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.send_signal(18)  # a suspended process could not end
                    process.terminate()
                try:
                    await asyncio.wait_for(process.wait(), 8)
                except TimeoutError:
                    process.kill()
                    await process.wait()
        if self._watching is not None:
            self._watching.cancel()
            await asyncio.gather(self._watching, *self._logging, return_exceptions=True)
        await self.rig_way.stop()
        await self.controller_way.stop()

    # --- the operator, who is also the observer -----------------------------------------------------------------

    async def _watch(self) -> None:
        """Collect everything that the controllers publish, directly from the broker, whenever it is up."""
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self.port, max_queued_incoming_messages=10_000) as client:
                    self._client = client
                    await client.subscribe(f"ebbset/v1/{self.rig}/ctl/#", qos=1)
                    self._news.set()
                    async for message in client.messages:
                        with contextlib.suppress(ValueError):
                            kind = message.topic.value.rsplit("/", 1)[1]
                            self.heard.append((time.monotonic(), kind, json.loads(message.payload)))
                            self._news.set()
            self._client = None
            # Nobody announces a broker to one who has no connection.
            await asyncio.sleep(0.1)

    def of(self, kind: str, since_s: float = 0.0) -> list[dict[str, Any]]:
        """Messages heard on one of the controller's topics.

        Args:
            kind: last part of the topic, such as ``state``.
            since_s: only from this time on, machine's monotonic clock, seconds.
        """
        return [message for at_s, heard, message in self.heard if heard == kind and at_s >= since_s]

    async def until(self, condition: Callable[[], object], *, timeout_s: float) -> bool:
        """Wait for a condition over what was heard from the controllers or said by a process.

        Args:
            condition: looked at after every message and every line.
            timeout_s: how long to wait.

        Returns:
            Whether it held within the time.
        """
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while not condition():
                    self._news.clear()
                    await self._news.wait()
        return bool(condition())

    async def until_truth(self, condition: Callable[[], object], *, timeout_s: float) -> bool:
        """Wait for a condition over the truth, which a rig writes to a file without telling anybody.

        Args:
            condition: looked at every now and then.
            timeout_s: how long to wait.

        Returns:
            Whether it held within the time.
        """
        end = time.monotonic() + timeout_s
        while not condition() and time.monotonic() < end:  # noqa: ASYNC110 - another process's file sets no event
            await asyncio.sleep(_LOOK_S)
        return bool(condition())

    async def until_state(self, *states: str, timeout_s: float) -> None:
        """Wait until the controller's newest state is one of these.

        Args:
            states: accepted states.
            timeout_s: how long to wait, seconds.

        Raises:
            TimeoutError: it is not one of them in time.
        """

        def holds() -> bool:
            reports = self.of("state")
            return bool(reports) and reports[-1]["state"] in states

        if not await self.until(holds, timeout_s=timeout_s):
            last = self.of("state")[-1:]
            raise TimeoutError(f"state is {last[0]['state'] if last else 'unknown'}; expected {', '.join(states)}")

    async def ask(self, action: str, *, timeout_s: float = 30.0, **members: Any) -> dict[str, Any] | None:
        """Send a request; returns the first answer, or None if there was none in time.

        Args:
            action: what to ask for.
            timeout_s: how long to wait, seconds.
            members: further members of the request.
        """
        correlation = secrets.token_hex(8)
        request = {"version": 1, "correlation_id": correlation, "action": action, "operator": "campaign", **members}
        if not await self.until(lambda: self._client is not None, timeout_s=timeout_s) or self._client is None:
            return None
        if action in ("arm", "start"):
            if not await self.until(
                lambda: any(state["ticket"] for state in self.of("state")[-1:]), timeout_s=timeout_s
            ):
                return None
            state = self.of("state")[-1]
            request["ticket"] = state["ticket"]
            if action == "start":
                request["arming"] = state["nonce"] or "nothing-is-armed"
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.publish(f"ebbset/v1/{self.rig}/ops/request", json.dumps(request), qos=1)

        def answers() -> list[dict[str, Any]]:
            return [answer for answer in self.of("answer") if answer["correlation_id"] == correlation]

        await self.until(answers, timeout_s=timeout_s)
        return answers()[0] if answers() else None

    async def begin_set(self) -> None:
        """Arm and start; returns with the lifter in the middle of a repetition.

        Raises:
            TimeoutError: arming, starting or the first repetition took too long.
        """
        for action, members in (("arm", {"cautions_shown": True}), ("start", {})):
            # The rig announces itself before its first frame; a request in between is refused and repeated.
            for _ in range(100):
                answer = await self.ask(action, **members)
                if answer is not None and answer["accepted"]:
                    break
                heard = len(self.heard)
                await self.until(lambda heard=heard: len(self.heard) > heard, timeout_s=0.3)  # type: ignore[misc]
            else:
                raise TimeoutError(f"{action} was answered {answer}")
        if not await self.until(lambda: self.of("repetition"), timeout_s=READY_S):
            raise TimeoutError("no repetition was seen")
        # Nobody says when the next one begins.
        await asyncio.sleep(0.5)

    # --- files --------------------------------------------------------------------------------------------------

    def truth(self, rig: str = "rig") -> list[Truth]:
        """The true states of a rig so far."""
        return read_truth(self.folder / f"{rig}.truth")

    def recordings(self, controller: str = "controller") -> Path:
        """Folder of a controller's recordings."""
        return self.folder / f"{controller}-recordings"

    def recorded_sets(self, controller: str = "controller") -> list[Path]:
        """Its recordings, oldest first."""
        return sorted(self.recordings(controller).glob("*.mcap"), key=os.path.getmtime)
