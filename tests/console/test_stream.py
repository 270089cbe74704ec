"""What `ebbset stream` sends, taken in by an inlet in a process of its own, lines up with what happened when."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.brokers import MOSQUITTO, mosquitto
from tests.support.wire_messages import IDENTITY

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="needs a Mosquitto on PATH (make test installs it)")
PROGRAM = "import sys; from ebbset.console.entry import main; sys.exit(main())"
MACHINE_ONLY = """
[ports]
IPv6 = disable
[multicast]
ResolveScope = machine
MachineAddresses = {127.0.0.1}
[lab]
KnownPeers = {127.0.0.1}
"""
"""The layer's own settings: nothing of it leaves this machine."""
INLETS = """
import json, sys
from pylsl import StreamInlet, resolve_byprop

samples, markers = (
    StreamInlet(resolve_byprop("name", f"ebbset bench {what}", timeout=60)[0]) for what in ("cable 0", "markers")
)
samples.open_stream(60)
markers.open_stream(60)
described = samples.info(60).as_xml()
print("ready", flush=True)
rows, told = [], []
while not told or told[-1][1]["kind"] != "result":
    chunk, times = samples.pull_chunk(timeout=0.05)
    rows += [[t, *row] for t, row in zip(times, chunk)]
    marker, at = markers.pull_sample(timeout=0.0)
    if marker is not None:
        told.append([at, json.loads(marker[0])])
corrections = [one.time_correction(60) for one in (samples, markers)]
json.dump({"rows": rows, "told": told, "described": described, "corrections": corrections}, sys.stdout)
"""
EPOCH_US = 7_654_321_000
DRIFT = 40e-6
"""Of the rig's clock against this machine's: an ordinary quartz, common practice, no source."""
PERIOD_S = 5.0
SAMPLE_S = 0.005
FRAME = 5
WORST_S = 0.005


class ClockedRig:
    """A rig whose position is the time, on this machine's clock, at which it was sampled; its own clock is another.

    Args:
        port: of the broker.
    """

    def __init__(self, port: int) -> None:
        self.zero_s = time.monotonic()
        self._port = port
        self._stop = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._thread = threading.Thread(target=self._run, daemon=True)

    def rig_us(self, at_s: float) -> int:
        return EPOCH_US + round((at_s - self.zero_s) * (1.0 + DRIFT) * 1e6)

    def publish(self, topic: str, message: dict[str, Any], *, retain: bool = False) -> None:
        self._client.publish(f"ebbset/v1/bench/{topic}", json.dumps(message), qos=1, retain=retain)

    def _run(self) -> None:
        delays = random.Random(1)
        seq = 0
        while not self._stop.is_set():
            seq += 1
            times_s = [self.zero_s + (FRAME * seq + k) * SAMPLE_S for k in range(FRAME)]
            # The wait of a frame for its last sample, and then of up to 15 ms for a busy network.
            self._stop.wait(max(times_s[-1] + delays.choice((0.0, 0.003, 0.015)) - time.monotonic(), 0.0))
            cable = {
                "position_m": [(at_s - self.zero_s) % PERIOD_S for at_s in times_s],
                "velocity_m_s": [0.25] * FRAME,
                "force_n": [401.0] * FRAME,
            }
            frame = {"version": 1, "boot_id": IDENTITY["boot_id"], "seq": seq, "docked": False, "applied_n": [400.0]}
            self.publish("rig/frame", frame | {"t_us": [self.rig_us(at_s) for at_s in times_s], "cables": [cable]})

    @contextmanager
    def running(self) -> Iterator[None]:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self.publish("rig/identity", IDENTITY | {"sample_rate_hz": 1.0 / SAMPLE_S}, retain=True)
        self._thread.start()
        try:
            yield
        finally:
            self._stop.set()
            self._thread.join()
            self._client.loop_stop()
            self._client.disconnect()


def decision(seq: int, t_rig_us: int) -> dict[str, Any]:
    return {
        "version": 1,
        "seq": seq,
        "nonce": "set-00000001",
        "t_host_us": 5_000_000 + seq,
        "t_rig_us": t_rig_us,
        "state": "working",
        "action": "drop",
        "reason": "stall_in_concentric",
        "text": "The handle stopped.",
        "cable": 0,
        "from_n": [400.0],
        "to_n": [320.0],
        "repetition": 3,
        "inputs": [{"name": "stalled_s", "value": 0.4}],
        "thresholds": [],
        "limited_by": [],
    }


RESULT: dict[str, Any] = {
    "version": 1,
    "nonce": "set-00000001",
    "prescription": "Row",
    "prescription_hash": "0" * 64,
    "reason": "drops_done",
    "text": "Done.",
    "repetitions": 9,
    "drops": 3,
    "bouts": 1,
    "duration_s": 40.0,
    "final_load_n": [320.0],
    "budget_spent": None,
    "refused_inputs": 0,
    "guard_refusals": 0,
}


@pytest.fixture(scope="module")
def received(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the inlets took in, and when the decisions truly were, on this machine's clock."""
    folder = tmp_path_factory.mktemp("stream")
    (folder / "lsl.cfg").write_text(MACHINE_ONLY)
    environment = {**os.environ, "LSLAPICFG": str(folder / "lsl.cfg")}
    with mosquitto(folder) as broker:
        rig = ClockedRig(broker.port)
        streaming = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, "stream", "--rig", "bench", "--port", str(broker.port)], env=environment
        )
        inlets = subprocess.Popen([sys.executable, "-c", INLETS], env=environment, stdout=subprocess.PIPE, text=True)
        try:
            with rig.running():
                assert inlets.stdout is not None
                assert inlets.stdout.readline() == "ready\n"
                happened_s = []
                for seq in range(1, 9):
                    happened_s.append(time.monotonic())
                    rig.publish("ctl/decision", decision(seq, rig.rig_us(happened_s[-1])))
                    threading.Event().wait(0.1)
                rig.publish("ctl/result", RESULT)
                found: dict[str, Any] = json.loads(inlets.communicate(timeout=120)[0])
        finally:
            for process in (streaming, inlets):
                process.terminate()
                process.wait(60)
    return {**found, "zero_s": rig.zero_s, "happened_s": happened_s}


def test_each_sample_lines_up_with_when_it_was_taken(received: dict[str, Any]) -> None:
    rows = np.array(received["rows"])
    assert len(rows) > 100
    told_s = rows[:, 0] + received["corrections"][0]
    error_s = (told_s - received["zero_s"] - rows[:, 1] + PERIOD_S / 2) % PERIOD_S - PERIOD_S / 2
    assert np.abs(error_s).max() <= WORST_S
    assert (np.diff(rows[:, 0]) >= 0.0).all()
    assert rows[:, 2:].tolist() == [[0.25, 401.0, 400.0]] * len(rows)


def test_stalls_and_decisions_line_up_with_when_they_happened(received: dict[str, Any]) -> None:
    correction_s = received["corrections"][1]
    decisions = [at_s + correction_s for at_s, told in received["told"] if told["kind"] == "decision"]
    error_s = np.array(decisions) - received["happened_s"]
    assert np.abs(error_s).max() <= WORST_S
    stalls = [at_s + correction_s for at_s, told in received["told"] if told["kind"] == "stall"]
    # The handle had been still for 0.4 s when each was told.
    assert np.array(stalls) == pytest.approx(np.array(decisions) - 0.4, abs=1e-6)


def test_the_description_has_units_and_the_offset_of_the_rigs_clock(received: dict[str, Any]) -> None:
    described = received["described"]
    for label, unit in (("position", "metres"), ("velocity", "metres per second"), ("force", "newtons")):
        assert f"<label>{label}</label>" in described
        assert f"<unit>{unit}</unit>" in described
    assert "<nominal_srate>200.0" in described
    offset_s = float(described.partition("<rig_clock_offset_s>")[2].partition("<")[0])
    assert abs(offset_s - (received["zero_s"] - EPOCH_US * 1e-6)) <= WORST_S
