"""A rig written by hand from the published contract: paho-mqtt, jsonschema and nothing of the project.

Run as a program: ``hand_rig.py PORT RIG frames|repetitions 3.1.1|5 CONTRACT``. It lives until its standard input
closes, then prints what it saw as one JSON line. Everything it sends and receives is validated against the schemas in
the folder CONTRACT.
"""

from __future__ import annotations

import json
import random
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from jsonschema import Draft202012Validator
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.plain_lifter import PlainLifter

DT_S = 0.01
LATE_S = 0.03
SAMPLES = 5
MAX_LOAD_N = 900.0
MIN_LOAD_N = 20.0
MAX_RAMP = 2_000.0
OWN_RAMP = 600.0


def validator(contract: Path, name: str) -> Draft202012Validator:
    return Draft202012Validator(json.loads((contract / f"{name}.schema.json").read_text()))


class HandRig:
    """Binding, leases, ramp and refusals as the contract's words ask, around a plain lifter."""

    def __init__(self, port: int, name: str, telemetry: str, protocol: str, contract: Path) -> None:
        self.root = f"ebbset/v1/{name}/"
        self.telemetry = telemetry
        self.boot_id = f"boot-{random.getrandbits(48):012x}"
        self.schemas = {
            topic: validator(contract, topic.replace("/", "_"))
            for topic in ("rig/identity", "rig/frame", "rig/repetition", "rig/event", "rig/ack", "ctl/command")
        }
        self.t_s = 0.0
        self.lock = threading.Lock()
        self.seq = {"rig/frame": 0, "rig/repetition": 0, "rig/event": 0}
        self.lifter = PlainLifter(strength_n=460.0, fatigue_per_m=0.2)
        self.bound: dict[str, Any] | None = None
        self.spent: set[str] = set()
        self.last_seq = -1
        self.lease_ends = 0.0
        self.target_n = 0.0
        self.ramp = OWN_RAMP
        self.applied_n = 0.0
        self.reported = 0
        self.seen: dict[str, Any] = {
            "commands": 0,
            "refused": [],
            "targets_n": [],
            "lease_expiries": 0,
            "retained_commands": 0,
            "v5_user_properties": False,
            "v5_expiry_s": None,
        }
        self.identity = {
            "version": 1,
            "rig": name,
            "boot_id": self.boot_id,
            "online": True,
            "cables": 1,
            "telemetry": telemetry,
            "sample_rate_hz": 100.0,
            "has_force": telemetry == "frames",
            "max_load_n": MAX_LOAD_N,
            "min_load_n": MIN_LOAD_N,
            "max_ramp_n_per_s": MAX_RAMP,
            "max_lease_ms": 5000,
            "firmware": "by hand",
        }
        version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=version)
        self.client.will_set(self.root + "rig/identity", json.dumps({**self.identity, "online": False}), 1, True)
        self.client.on_connect = self.connected
        self.client.on_message = self.commanded
        self.client.connect("127.0.0.1", port, keepalive=5)
        self.client.loop_start()

    def now_us(self) -> int:
        return round(self.t_s * 1e6) + 5_000_000

    def send(self, topic: str, message: dict[str, Any], qos: int = 0, *, retain: bool = False) -> None:
        self.schemas[topic].validate(message)
        self.client.publish(self.root + topic, json.dumps(message), qos, retain)

    def connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(self.root + "ctl/command", 0)
        self.send("rig/identity", self.identity, 1, retain=True)

    # --- commands

    def commanded(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        with self.lock:
            if message.retain:
                self.seen["retained_commands"] += 1
                return
            command = json.loads(message.payload)
            self.schemas["ctl/command"].validate(command)
            self.seen["commands"] += 1
            if message.properties is not None:
                self.seen["v5_user_properties"] = bool(getattr(message.properties, "UserProperty", ()))
                self.seen["v5_expiry_s"] = getattr(message.properties, "MessageExpiryInterval", None)
            refusal = self.obey(command)
            if refusal is not None:
                self.seen["refused"].append(refusal)
            ack = {
                "version": 1,
                "boot_id": self.boot_id,
                "nonce": command["nonce"],
                "command_seq": command["seq"],
                "t_us": self.now_us(),
                "accepted": refusal is None,
                "refusal": refusal,
                "applied_n": [self.applied_n],
                "docked": self.lifter.docked,
            }
            self.send("rig/ack", ack, 1)

    def obey(self, command: dict[str, Any]) -> str | None:
        kind, nonce, seq = command["kind"], command["nonce"], command["seq"]
        ours = self.bound is not None and nonce == self.bound["nonce"]
        if kind == "release":
            if ours:
                self.lapse()
            return None if nonce in self.spent else "foreign_nonce"
        if kind == "unload":
            ramp = min(command["ramp_n_per_s"], MAX_RAMP)
            self.ramp = ramp if self.target_n > 0.0 else max(ramp, self.ramp)
            self.target_n = 0.0
            if self.bound is not None and ours and seq > self.last_seq:
                self.lease_ends = self.t_s + self.bound["lease_ms"] / 1000
                self.last_seq = seq
            return None
        if nonce in self.spent:
            return "spent_nonce"
        if kind == "arm":
            if self.bound is not None and nonce != self.bound["nonce"]:
                return "foreign_nonce"
            if len(command["ceiling_n"]) != 1:
                return "wrong_cables"
            self.bound, self.last_seq = command, seq
            self.lease_ends = self.t_s + command["lease_ms"] / 1000
            return None
        return self.load(command)

    def lapse(self) -> None:
        """Unload, no slower than armed, and spend the nonce."""
        if self.bound is not None:
            self.ramp = max(OWN_RAMP, self.bound["max_ramp_n_per_s"])
            self.spent.add(self.bound["nonce"])
        self.bound, self.target_n = None, 0.0

    def load(self, command: dict[str, Any]) -> str | None:
        bound, now = self.bound, self.now_us()
        if bound is None or command["nonce"] != bound["nonce"]:
            return "foreign_nonce"
        target = command["target_n"][0]
        # Refused for the first reason that holds, in this order.
        refusals = {
            "repeated_sequence": command["seq"] <= self.last_seq,
            "future_citation": command["cites_t_us"] > now,
            "stale_citation": now - command["cites_t_us"] > command["lease_ms"] * 1000,
            "lease_too_long": command["lease_ms"] > bound["lease_ms"],
            "wrong_cables": len(command["target_n"]) != 1,
            "above_ceiling": target > min(bound["ceiling_n"][0], MAX_LOAD_N),
            "below_floor": 0 < target < bound["floor_n"][0],
            "rise_while_undocked": target > self.target_n and not self.lifter.docked,
            "ramp_too_steep": command["ramp_n_per_s"] > bound["max_ramp_n_per_s"],
        }
        for refusal, holds in refusals.items():
            if holds:
                return refusal
        if target != self.target_n:
            self.seen["targets_n"].append(target)
        self.target_n, self.ramp = target, command["ramp_n_per_s"]
        self.last_seq = command["seq"]
        self.lease_ends = self.t_s + command["lease_ms"] / 1000
        return None

    # --- time

    def run(self, until: threading.Event) -> None:
        due, columns = time.monotonic(), ([], [], [], [])  # type: ignore[var-annotated]
        was_docked = True
        while not until.is_set():
            # While a busy machine does not run this program its clock stands still, and its lifter with it.
            due = max(due + DT_S, time.monotonic() - LATE_S)
            time.sleep(max(0.0, due - time.monotonic()))
            with self.lock:
                self.t_s += DT_S
                if self.bound is not None and self.t_s > self.lease_ends:
                    self.lapse()
                    self.seen["lease_expiries"] += 1
                    self.event("lease_expired")
                step = self.ramp * DT_S
                self.applied_n += max(-step, min(step, self.target_n - self.applied_n))
                self.lifter.step(self.applied_n, DT_S)
                if self.lifter.docked != was_docked:
                    was_docked = self.lifter.docked
                    self.event("docked" if was_docked else "undocked")
                    if not was_docked and self.target_n > self.applied_n + 1.0:
                        self.lapse()
                        self.event("fault")
                if self.telemetry == "repetitions":
                    self.summarise()
                    continue
                force = max(0.0, self.applied_n + random.gauss(0, 0.5))
                values = (self.now_us(), round(self.lifter.x_m, 4), round(self.lifter.v_m_s, 3), round(force, 1))
                for column, value in zip(columns, values, strict=True):
                    column.append(value)
                if len(columns[0]) == SAMPLES:
                    t, x, v, f = (list(column) for column in columns)
                    self.frame(t, x, v, f)
                    for column in columns:
                        column.clear()

    def numbered(self, topic: str, **members: Any) -> dict[str, Any]:
        self.seq[topic] += 1
        return {"version": 1, "boot_id": self.boot_id, "seq": self.seq[topic], **members}

    def event(self, kind: str) -> None:
        self.send("rig/event", self.numbered("rig/event", t_us=self.now_us(), kind=kind, detail=""), 1)

    def frame(self, t: list[int], x: list[float], v: list[float], f: list[float]) -> None:
        message = self.numbered(
            "rig/frame",
            nonce=self.bound["nonce"] if self.bound is not None else None,
            docked=self.lifter.docked,
            applied_n=[round(self.applied_n, 2)],
            t_us=t,
            cables=[{"position_m": x, "velocity_m_s": v, "force_n": f}],
        )
        self.send("rig/frame", message)

    def summarise(self) -> None:
        """One summary a concentric; a handle that stands still for 0.6 s is reported failed while it stands there."""
        lifter = self.lifter
        if lifter.phase != "up":
            self.stood = False
        elif lifter.still_s > 0.6 and not getattr(self, "stood", False):
            self.stood = True
            rom = lifter.x_m - 0.15
            self.repetition("failed" if rom > 0.03 else "not_started", rom, rom / lifter.phase_s, rom / lifter.phase_s)
        while self.reported < len(lifter.outcomes):
            outcome, rom, mean, peak = lifter.outcomes[self.reported]
            self.reported += 1
            if outcome == "completed":
                self.repetition(outcome, rom, mean, peak)

    def repetition(self, outcome: str, rom: float, mean: float, peak: float) -> None:
        now = self.now_us()
        message = self.numbered(
            "rig/repetition",
            nonce=self.bound["nonce"] if self.bound is not None else None,
            docked=self.lifter.docked,
            applied_n=[round(self.applied_n, 2)],
            t_start_us=now - int(self.lifter.phase_s * 1e6) if self.lifter.phase == "up" else now - 1_000_000,
            t_end_us=now,
            outcome=outcome,
            cables=[{"rom_m": round(rom, 3), "mean_velocity_m_s": round(mean, 3), "peak_velocity_m_s": round(peak, 3)}],
        )
        self.send("rig/repetition", message, 1)


def main() -> None:
    port, name, telemetry, protocol, contract = sys.argv[1:6]
    rig = HandRig(int(port), name, telemetry, protocol, Path(contract))
    done = threading.Event()
    runner = threading.Thread(target=rig.run, args=(done,), daemon=True)
    runner.start()
    sys.stdin.read()
    done.set()
    runner.join(2)
    outcomes = [outcome[0] for outcome in rig.lifter.outcomes]
    final = {**rig.seen, "applied_n": rig.applied_n, "bound": rig.bound is not None, "outcomes": outcomes}
    sys.stdout.write(json.dumps(final) + "\n")


if __name__ == "__main__":
    main()
