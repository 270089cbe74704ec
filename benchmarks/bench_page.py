"""The page's own times, on loopback: sample to pixel, stop click to unload command, what browsers cost the controller.

A rig that this process plays sends frames whose load differs each time. A real browser notes when a load is on the
screen: at the second animation frame after the text changed, by when the first has been shown. Both read the time of
day, which is one clock on one machine. For what browsers cost, `bench_latency` is measured in turns without browsers
and with twenty that read the coach's stream; they draw nothing, since a browser draws on its own machine.
"""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import pathlib
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from benchmarks import bench_latency
from benchmarks.bench_latency import BOOT, RIG, SERVE, Rig
from benchmarks.claims import Claim
from ebbset.models.contract.prescription import Prescription, example

BROWSERS = 20
FRAME_S = 0.05
LOADS = 300
STOPS = 30
TURN_FRAMES = 500
TURNS = 3
IDENTITY = {
    "rig": RIG, "boot_id": BOOT, "online": True, "cables": 1, "telemetry": "frames", "sample_rate_hz": 100.0,
    "has_force": True, "max_load_n": 1_000.0, "min_load_n": 10.0, "max_ramp_n_per_s": 5_000.0, "max_lease_ms": 1_000,
    "firmware": "bench",
}  # fmt: skip
QUIET: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
NOTE_PIXELS = """() => {
  window.seen = {};
  const load = document.querySelector('[data-figure=load]');
  new MutationObserver(() => {
    const text = load.textContent;
    requestAnimationFrame(() => requestAnimationFrame(() => { window.seen[text] ??= Date.now(); }));
  }).observe(load, { childList: true, characterData: true, subtree: true });
}"""
PAGE = "import sys; from ebbset.console.entry import main; sys.exit(main())"


def slowest_twentieth(values: list[float]) -> float:
    """The value that one in twenty is above."""
    return statistics.quantiles(values, n=20)[18]


@contextlib.contextmanager
def page_process(folder: pathlib.Path, port: int) -> Iterator[str]:
    """The page as a process of its own; gives its address."""
    (folder / "prescriptions").mkdir(exist_ok=True)
    (folder / "prescriptions" / "bench.toml").write_text(the_set().to_toml())
    command = [sys.executable, "-c", PAGE, "page", "--home", str(folder), "--port", str(port), "--page-port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        yield process.stdout.readline().split()[-1].rstrip("/")
    finally:
        process.terminate()
        process.wait(20)


@contextlib.contextmanager
def served(folder: pathlib.Path, port: int) -> Iterator[None]:
    """The controller of `bench_latency`."""
    from ebbset.controller.link.settings import ServeSettings

    settings = ServeSettings.of(rig=RIG, recordings=folder / "recordings", broker={"port": port}).model_dump_json()
    process = subprocess.Popen([sys.executable, "-c", SERVE, settings], **QUIET)
    try:
        yield
    finally:
        process.terminate()
        process.wait(20)


class SteadyRig(Rig):
    """The rig of `bench_latency` that also sends frames by itself, docked, and notes when it is told to unload."""

    def __init__(self, port: int) -> None:
        self.unloads: list[float] = []
        self._over = threading.Event()
        super().__init__(port)
        self._sending = threading.Thread(target=self._send_frames, daemon=True)

    def begin(self) -> None:
        self.send("rig/identity", IDENTITY, retain=True)
        self._sending.start()

    def message(self, client: Any, userdata: Any, message: Any) -> None:
        if message.topic.endswith("ctl/command") and json.loads(message.payload)["kind"] == "unload":
            self.unloads.append(time.perf_counter())
            self.applied_n = 0.0
        super().message(client, userdata, message)

    def _send_frames(self) -> None:
        while not self._over.wait(FRAME_S):
            self.frame(None)

    def close(self) -> None:
        self._over.set()
        self._sending.join()
        self.client.loop_stop()


def the_set() -> Prescription:
    """A set that waits for the benchmark; the page must know it, since it shows nothing of what it does not know."""
    return example(stop={"max_start_wait_s": 60.0, "max_pause_s": 60.0})


def pixels(page: Any, address: str, rig: Rig) -> list[float]:
    """Times from a frame's sending to its load on the screen, s."""
    sent: dict[str, float] = {}
    digest = the_set().digest()

    def state() -> None:
        told = {"state": "working", "nonce": "nonce-bench", "ticket": "ticket-bench", "prescription_hash": digest}
        rig.send("ctl/state", {"t_host_us": rig.now_us(), **told})

    def opened() -> bool:
        # Said again, since the page may not have been at the broker yet.
        state()
        rig.frame(None)
        return bool(page.goto(f"{address}/rig/{RIG}/lifter").ok and page.locator("[data-figure=load]").count())

    rig.send("rig/identity", IDENTITY, retain=True)
    rig.until(opened, 30.0)
    page.evaluate(NOTE_PIXELS)
    for k in range(LOADS):
        if k % 10 == 0:
            state()
        rig.applied_n = (10.0 + k / 10) * 9.80665
        sent[f"{10.0 + k / 10:.1f} kg"] = time.time()
        rig.frame(0.1)
        page.wait_for_timeout(FRAME_S * 1e3)
    seen = page.evaluate("window.seen")
    return [seen[text] / 1e3 - at for text, at in sent.items() if text in seen]


def stops(page: Any, address: str, rig: SteadyRig, port: int) -> list[float]:
    """Times from the click on stop to the unload command at the rig, s."""
    from ebbset.console.live.operator_client import Operator
    from ebbset.controller.link.settings import BrokerSettings
    from ebbset.models.contract.operator_messages import OperatorAnswer, RequestAction

    operator = Operator(BrokerSettings(port=port), RIG, "bench")

    def ask(action: RequestAction, **members: Any) -> OperatorAnswer:
        # In a thread, since the browser's driver runs an event loop in this one.
        return asked.submit(lambda: asyncio.run(operator.ask(action, **members))).result()

    asked = ThreadPoolExecutor(1)
    found = []
    for _ in range(STOPS):
        rig.until(lambda: rig.state in ("idle", "ended"), 30.0)
        rig.docked, rig.applied_n = True, 0.0
        time.sleep(4 * FRAME_S)
        answer = ask(RequestAction.ARM, cautions_shown=True, prescription=the_set())
        if answer.accepted:
            answer = ask(RequestAction.START)
        if not answer.accepted:
            raise SystemExit(f"the benchmark's set could not be started: {answer.message}")
        rig.until(lambda: rig.applied_n > 0.0)
        page.goto(f"{address}/rig/{RIG}/lifter")
        page.locator("[data-age]").filter(has_text="Current").wait_for()
        before, clicked = len(rig.unloads), time.perf_counter()
        page.evaluate("document.querySelector('button.stop').click()")
        rig.until(lambda before=before: len(rig.unloads) > before)
        found.append(rig.unloads[before] - clicked)
    return found


@contextlib.contextmanager
def reading_browsers(address: str, number: int) -> Iterator[None]:
    """So many readers of the coach's stream, which take what comes and draw nothing."""
    host, _, port = address.removeprefix("http://").partition(":")
    connections, over = [], threading.Event()

    def read(answer: http.client.HTTPResponse) -> None:
        with contextlib.suppress(OSError, http.client.HTTPException, ValueError):
            while not over.is_set() and answer.read1(65_536):
                pass

    readers = []
    for _ in range(number):
        connection = http.client.HTTPConnection(host, int(port), timeout=30)
        connection.request("GET", f"/stream/{RIG}?view=coach")
        connections.append(connection)
        readers.append(threading.Thread(target=read, args=(connection.getresponse(),), daemon=True))
        readers[-1].start()
    try:
        yield
    finally:
        over.set()
        for connection in connections:
            # Not closed yet: a reader is in the middle of it, and ends when nothing more comes.
            connection.sock.shutdown(socket.SHUT_RDWR)
        for reader in readers:
            reader.join(30)
        for connection in connections:
            connection.close()


def controller_p99(folder: pathlib.Path, port: int) -> float:
    """p99 of the controller's time from a frame to the command that cites it, s."""
    with served(folder, port):
        echo = subprocess.Popen([sys.executable, "-c", bench_latency.BARE, str(port)], **QUIET)
        try:
            decided, _ = bench_latency.measure(port)
        finally:
            echo.terminate()
            echo.wait(20)
    return statistics.quantiles(decided, n=100)[98]


def main() -> list[Claim]:
    from tests.support.brokers import mosquitto
    from tests.support.page_stack import chromium

    bench_latency.FRAMES = TURN_FRAMES
    alone, watched = [], []
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder, page = pathlib.Path(name), browser.new_page()
        with mosquitto(folder) as broker, page_process(folder, broker.port) as address:
            rig = Rig(broker.port)
            drawn = pixels(page, address, rig)
            rig.client.loop_stop()
        with (
            mosquitto(folder) as broker,
            page_process(folder, broker.port) as address,
            served(folder, broker.port),
        ):
            steady = SteadyRig(broker.port)
            steady.begin()
            stopped = stops(page, address, steady, broker.port)
            steady.close()
        page.close()
        for _ in range(TURNS):
            with mosquitto(folder) as broker, page_process(folder, broker.port) as address:
                alone.append(controller_p99(folder, broker.port))
            with (
                mosquitto(folder) as broker,
                page_process(folder, broker.port) as address,
                reading_browsers(address, BROWSERS),
            ):
                watched.append(controller_p99(folder, broker.port))
    cost = statistics.median(watched) / statistics.median(alone) - 1.0
    return [
        Claim(
            "page: sample to pixel, slowest twentieth", slowest_twentieth(drawn) * 1e3, "ms", 150.0, at_most=True,
            note=f"median {statistics.median(drawn) * 1e3:.0f} ms, {len(drawn)} of {LOADS} loads seen",
        ),
        Claim(
            "page: stop click to unload command, slowest twentieth", slowest_twentieth(stopped) * 1e3, "ms", 100.0,
            at_most=True, note=f"median {statistics.median(stopped) * 1e3:.0f} ms, {len(stopped)} stops",
        ),
        Claim(
            f"page: rise of the controller's p99 by {BROWSERS} browsers", cost * 100.0, "%", 10.0, at_most=True,
            note=f"p99 {statistics.median(alone) * 1e3:.2f} ms alone, {statistics.median(watched) * 1e3:.2f} watched",
        ),
    ]  # fmt: skip
