"""Decision latency over Mosquitto: from a sample frame to the command that cites it, compared with a bare echo.

Three processes and one broker: this one plays the rig and has the only clock; a served controller answers frames with
load commands; a bare aiomqtt client echoes messages of the same size. Frames and echoes alternate in one run, so that
both meet the same conditions. The lease is the shortest allowed, so that every frame leads to a command, and ticks are
rare, so that none does.
"""

from __future__ import annotations

import json
import math
import pathlib
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.claims import Claim

RIG = "latency"
ROOT = f"ebbset/v1/{RIG}/"
ECHO = "bench/echo"
FRAME_S = 0.040
SAMPLES = 4
FRAMES = 1_500
BOOT = "boot-bench-1"

SERVE = """
import asyncio, sys
from ebbset.controller.service import serve
serve.TICK_S = 5.0
serve.UNARMED_TICK_S = 0.1
from ebbset.controller.link.settings import ServeSettings
asyncio.run(serve.serve(ServeSettings.model_validate_json(sys.argv[1])))
"""
BARE = """
import asyncio, socket, sys
import aiomqtt
async def main():
    at_once = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    async with aiomqtt.Client("127.0.0.1", int(sys.argv[1]), socket_options=at_once) as client:
        await client.subscribe("bench/echo/ask")
        await client.publish("bench/echo/ready", b"", retain=True)
        async for message in client.messages:
            await client.publish("bench/echo/answer", message.payload)
asyncio.run(main())
"""


class Rig:
    """Sends frames and echo requests over one client, and records when each reply arrives."""

    def __init__(self, port: int) -> None:
        self.back: dict[str, float] = {}
        self.arrived = threading.Event()
        self.state, self.ticket = "", ""
        self.answers: dict[str, Any] = {}
        self.acks = 0
        self.seq = 0
        self.docked = True
        self.applied_n = 0.0
        self.nonce: str | None = None
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self.message
        self.client.connect("127.0.0.1", port)
        # All clients here, the echo too, send without delay: Nagle's algorithm would add tens of milliseconds.
        connected = self.client.socket()
        assert isinstance(connected, socket.socket)
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for topic in (f"{ROOT}ctl/+", f"{ECHO}/answer", f"{ECHO}/ready"):
            self.client.subscribe(topic)
        self.client.loop_start()

    def message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        now = time.perf_counter()
        if message.topic.startswith(ECHO):
            kind = message.topic.removeprefix(f"{ECHO}/")
            self.back.setdefault("ready" if kind == "ready" else f"echo {json.loads(message.payload)['seq']}", now)
        elif message.topic.endswith("ctl/command"):
            command = json.loads(message.payload)
            if command["kind"] == "load":
                self.back.setdefault(f"frame {command['cites_t_us']}", now)
                self.applied_n = command["target_n"][0]
            elif command["kind"] == "arm":
                self.nonce = command["nonce"]
            self.send(
                "rig/ack",
                {
                    "boot_id": BOOT,
                    "nonce": command["nonce"],
                    "command_seq": command["seq"],
                    "t_us": self.now_us(),
                    "accepted": True,
                    "applied_n": [self.applied_n],
                    "docked": self.docked,
                },
            )
        elif message.topic.endswith("ctl/state"):
            report = json.loads(message.payload)
            self.state, self.ticket = report["state"], report["ticket"]
        elif message.topic.endswith("ctl/answer"):
            answer = json.loads(message.payload)
            self.answers[answer["correlation_id"]] = answer
        self.arrived.set()

    def now_us(self) -> int:
        return int(time.perf_counter() * 1e6)

    def send(self, topic: str, message: dict[str, Any], *, retain: bool = False) -> None:
        self.client.publish(ROOT + topic, json.dumps(message), retain=retain)

    def until(self, condition: Any, seconds: float = 15.0) -> None:
        deadline = time.perf_counter() + seconds
        while not condition():
            if time.perf_counter() > deadline:
                raise SystemExit(f"the benchmark's controller is {self.state!r} and did not answer in time")
            self.arrived.wait(0.01)
            self.arrived.clear()

    def ask(self, action: str, **members: Any) -> None:
        name = f"ask-{action}"
        members |= {"ticket": self.ticket}
        if action == "start":
            members["arming"] = self.answers["ask-arm-0001"]["nonce"]
        self.send("ops/request", {"correlation_id": name + "-0001", "action": action, "operator": "bench", **members})
        self.until(lambda: name + "-0001" in self.answers)
        if not self.answers[name + "-0001"]["accepted"]:
            raise SystemExit(f"{action} was refused: {self.answers[name + '-0001']['message']}")

    def frame(self, lifting_s: float | None) -> tuple[str, float, dict[str, Any]]:
        """Send a frame of four samples at 100 Hz that ends now; returns key, time of sending and message."""
        self.seq += 1
        end = self.now_us()
        t, x, v = [], [], []
        for k in range(SAMPLES):
            back_s = (SAMPLES - 1 - k) * 0.01
            t.append(end - int(back_s * 1e6))
            phase = 0.0 if lifting_s is None else 2 * math.pi * max(0.0, lifting_s - back_s) / 2.4
            noise = 1e-4 * math.sin(self.seq * 12.9898 + k)
            x.append(0.15 + 0.25 * (1 - math.cos(phase)) + noise)
            v.append(0.25 * math.sin(phase) * 2 * math.pi / 2.4 + noise)
        message = {
            "boot_id": BOOT,
            "seq": self.seq,
            "nonce": self.nonce,
            "docked": self.docked,
            "applied_n": [self.applied_n],
            "t_us": t,
            "cables": [{"position_m": x, "velocity_m_s": v, "force_n": [self.applied_n + 0.1 * a for a in v]}],
        }
        payload = json.dumps(message)
        sent = time.perf_counter()
        self.client.publish(ROOT + "rig/frame", payload)
        return f"frame {t[-1]}", sent, message


def measure(port: int) -> tuple[list[float], list[float]]:
    """Round trips in seconds: frame to command, and message to its echo."""
    rig = Rig(port)
    identity = {
        "rig": RIG,
        "boot_id": BOOT,
        "online": True,
        "cables": 1,
        "telemetry": "frames",
        "sample_rate_hz": 100.0,
        "has_force": True,
        "max_load_n": 1_000.0,
        "min_load_n": 10.0,
        "max_ramp_n_per_s": 5_000.0,
        "max_lease_ms": 1_000,
        "firmware": "bench",
    }
    rig.send("rig/identity", identity, retain=True)
    rig.until(lambda: "ready" in rig.back)
    rig.until(lambda: rig.state == "idle")
    prescription = {
        "name": "Latency",
        "exercise": "row",
        "load": {"start_n": 300.0, "floor_n": 100.0, "ramp_n_per_s": 3_000.0},
        "safety": {"lease_ms": 150, "telemetry_timeout_ms": 150},
        "stop": {"max_repetitions": 500},
    }
    rig.frame(None)
    rig.ask("arm", cautions_shown=True, prescription=prescription)
    rig.frame(None)
    rig.ask("start")
    decided: list[float] = []
    echoed: list[float] = []
    began = due = time.perf_counter()
    for k in range(FRAMES):
        due += FRAME_S
        lifting_s = time.perf_counter() - began - 1.0
        rig.docked = lifting_s < 0
        key, sent, message = rig.frame(lifting_s if lifting_s >= 0 else None)
        time.sleep(max(0.0, due - FRAME_S / 2 - time.perf_counter()))
        if key in rig.back:
            decided.append(rig.back[key] - sent)
        asked = time.perf_counter()
        rig.client.publish(f"{ECHO}/ask", json.dumps(message))
        time.sleep(max(0.0, due - time.perf_counter()))
        name = f"echo {rig.seq}"
        if name in rig.back:
            echoed.append(rig.back[name] - asked)
        if k > 100 and rig.state != "working":
            raise SystemExit(f"the benchmark's set became {rig.state!r} after {k} frames; allowed: working throughout")
    rig.client.loop_stop()
    return decided[50:], echoed[50:]


def main() -> list[Claim]:
    from ebbset.controller.link.settings import ServeSettings
    from tests.support.brokers import mosquitto

    with tempfile.TemporaryDirectory() as name, mosquitto(pathlib.Path(name)) as broker:
        settings = ServeSettings.of(
            rig=RIG, recordings=pathlib.Path(name) / "recordings", broker={"port": broker.port}
        ).model_dump_json()
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        peers = [
            subprocess.Popen([sys.executable, "-c", SERVE, settings], **quiet),  # type: ignore[call-overload]
            subprocess.Popen([sys.executable, "-c", BARE, str(broker.port)], **quiet),  # type: ignore[call-overload]
        ]
        try:
            decided, echoed = measure(broker.port)
        finally:
            for peer in peers:
                peer.terminate()
                peer.wait(10)
    if len(decided) < FRAMES // 2 or len(echoed) < FRAMES // 2:
        raise SystemExit(f"{len(decided)} frames answered and {len(echoed)} echoes of {FRAMES}; allowed: half or more")

    def p99(values: list[float]) -> float:
        return statistics.quantiles(values, n=100)[98]

    note = (
        f"p99 {p99(decided) * 1e3:.2f} ms against {p99(echoed) * 1e3:.2f} ms, median "
        f"{statistics.median(decided) * 1e3:.2f} against {statistics.median(echoed) * 1e3:.2f} ms; "
        f"{len(decided)} frames, {len(echoed)} echoes"
    )
    return [
        Claim(
            "link: sample to command and back, p99, over a bare echo",
            p99(decided) / p99(echoed),
            "x",
            1.15,
            at_most=True,
            note=note,
        )
    ]
