"""Everything that a person at the page needs: broker, virtual rig, controller, the page, and a real browser."""

from __future__ import annotations

import contextlib
import functools
import json
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, sync_playwright
from playwright.sync_api import Error as BrowserError

from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.prescription import Prescription
from tests.support.brokers import Mosquitto, free_port
from tests.support.kinematic_rig import profile_of
from tests.support.page_server import ServedPage
from tests.support.sessions import PATIENT, PATIENT_STOP, auto_drop_order

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
RIG = "north"
"""A rig with a lifter on it."""
STILL = "south"
"""A rig with nobody on it: its handle stays in the dock under any load, so it can be armed again at once."""
PATIENCE_S = 600.0
ATTEMPTS = 4
_STARVED = (Reason.TELEMETRY_LOST.value, Reason.LEASE_EXPIRED.value)
_EBBSET = (sys.executable, "-c", "import sys; from ebbset.console.entry import main; sys.exit(main())")


def patient_order(**sections: Any) -> Prescription:
    """A set that a busy machine does not end."""
    return auto_drop_order(**{"safety": PATIENT, "stop": PATIENT_STOP, **sections})


class Wire:
    """Hears all that goes over the broker about one rig, by topic."""

    def __init__(self, port: int, rig: str = RIG) -> None:
        self.heard: list[tuple[str, dict[str, Any]]] = []
        self._root = f"ebbset/v1/{rig}/"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = self._subscribe
        self._client.on_message = self._take
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _subscribe(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(f"{self._root}#", qos=1)

    def _take(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append((message.topic.removeprefix(self._root), json.loads(message.payload)))

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [told for heard, told in tuple(self.heard) if heard == topic]

    def newest(self, topic: str) -> dict[str, Any]:
        return next((told for heard, told in reversed(tuple(self.heard)) if heard == topic), {})

    def until(self, condition: Callable[[], Any], timeout_s: float = PATIENCE_S) -> Any:
        deadline = time.monotonic() + timeout_s
        while not (found := condition()):
            assert time.monotonic() < deadline, f"not met in {timeout_s:g} s; state {self.newest('ctl/state')}"
            time.sleep(0.01)
        return found

    def ready(self) -> None:
        """Wait until controller and rig see each other, nothing is armed, and the handle is in the dock."""
        self.until_state("idle", "ended")
        before = len(self.of("rig/frame"))
        self.until(lambda: len(self.of("rig/frame")) > before + 3)
        self.until(lambda: self.newest("rig/frame")["docked"])

    def until_state(self, *states: str) -> None:
        self.until(lambda: self.newest("ctl/state").get("state") in states)

    def close(self) -> None:
        self._client.loop_stop()
        self._client.disconnect()


@dataclass
class Stack:
    """The parts, each of which a test may end and start again."""

    folder: Path
    rig_exercise: str = "row"
    broker: Mosquitto = field(init=False)
    wires: dict[str, Wire] = field(default_factory=dict)
    _parts: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.broker = Mosquitto(self.folder)

    @property
    def home(self) -> Path:
        return self.folder / "home"

    def start(self) -> None:
        for name in ("prescriptions", "profiles", "recordings"):
            (self.home / name).mkdir(parents=True, exist_ok=True)
        (self.home / "prescriptions" / "patient.toml").write_text(patient_order(name="Patient row").to_toml())
        (self.home / "profiles" / "l1-row.toml").write_text(profile_of("row").to_toml())
        self.broker.start()
        for rig, nobody in ((RIG, ()), (STILL, ("--nobody",))):
            self.run_part(f"rig-{rig}", "rig", "--exercise", self.rig_exercise, *nobody, rig=rig)
            self.run_part(f"controller-{rig}", "serve", "--recordings", str(self.home / "recordings"), rig=rig)
        self.wires = {rig: Wire(self.broker.port, rig) for rig in (RIG, STILL)}
        self.page = ServedPage(self.home, self.broker.port)
        for wire in self.wires.values():
            wire.ready()

    def run_part(self, part: str, command: str, *arguments: str, rig: str) -> None:
        where = ("--rig", rig, "--port", str(self.broker.port))
        log = (self.folder / f"{part}.log").open("ab")
        with log:
            self._parts[part] = subprocess.Popen(
                [*_EBBSET, command, *where, *arguments], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )

    def end_part(self, part: str) -> None:
        process = self._parts.pop(part, None)
        if process is not None:
            process.terminate()
            process.wait(PATIENCE_S)

    def starved(self) -> int:
        """How many sets ended because this machine did not let rig or controller have their turn in time."""
        ends = [one for wire in self.wires.values() for one in wire.of("ctl/decision") if one["action"] == "end"]
        return sum(one["reason"] in _STARVED for one in ends)

    def free(self) -> None:
        """Stop every rig, and wait until it can be armed again."""
        for rig, wire in self.wires.items():
            self.page.call(self.page.page.site.asks.stop(rig, "tester"))
            wire.until_state("idle", "ended")

    def close(self) -> None:
        with contextlib.suppress(AttributeError):
            self.page.close()
        for wire in self.wires.values():
            wire.close()
        # Controllers first, so that they close their recordings.
        for part in sorted(self._parts):
            self.end_part(part)
        self.broker.stop()


def again_if_starved(test: Callable[..., None]) -> Callable[..., None]:
    """Run a test again if it failed and, in its time, a set was ended by a loss of telemetry that nobody arranged.

    Ending it is right, and happens on a machine that runs much else: a rig that gets no turn for a second is silent.
    """

    @functools.wraps(test)
    def tried(parts: Stack, **more: Any) -> None:
        for attempt in range(ATTEMPTS):
            before = parts.starved()
            try:
                test(parts, **more)
            except (AssertionError, BrowserError):
                if attempt == ATTEMPTS - 1 or parts.starved() == before:
                    raise
                parts.free()
            else:
                return

    return tried


@contextlib.contextmanager
def stack(folder: Path, **more: Any) -> Iterator[Stack]:
    """All parts for the time of a ``with``."""
    made = Stack(folder, **more)
    try:
        made.start()
        yield made
    finally:
        made.close()


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """A real browser, Debian's own."""
    assert Path(CHROMIUM).exists(), "these tests need Chromium (Debian: apt-get install chromium)"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


class Way:
    """The network between a browser and the page: it can be cut without a word, and stand again."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._cut = threading.Event()
        self._over = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", free_port()))
        self.port = int(self._listening.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def cut(self) -> None:
        """From now on nothing gets through, and nobody is told."""
        self._cut.set()

    def mend(self) -> None:
        """Connections made from now on get through; those from before stay silent, as after a real loss."""
        self._cut.clear()

    def _accept(self) -> None:
        while not self._over.is_set():
            ready, _, _ = select.select([self._listening], [], [], 0.2)
            if ready:
                near, _ = self._listening.accept()
                self._threads.append(threading.Thread(target=self._carry, args=(near,), daemon=True))
                self._threads[-1].start()

    def _carry(self, near: socket.socket) -> None:
        lost = self._cut.is_set()
        with near, socket.create_connection(("127.0.0.1", self._to)) as far, contextlib.suppress(OSError):
            while not self._over.is_set():
                ready, _, _ = select.select([near, far], [], [], 0.2)
                lost = lost or self._cut.is_set()
                for one in ready:
                    data = one.recv(65_536)
                    if not data:
                        return
                    if not lost:
                        (far if one is near else near).sendall(data)

    def close(self) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join(PATIENCE_S)
        self._listening.close()
