"""A rig's side of the contract in one page: announce, sample, obey, refuse, and unload when a lease is not renewed.

Put your motor and sensors in the place of `Hardware`. Read ``contract/asyncapi.json`` for every rule in words, then try
your rig with ``ebbset check-rig``, with nobody under the load. This code is not a safety function: the drive below it
needs its own stop, limits and watchdog.

    python examples/rig_side.py north 127.0.0.1 1883
"""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
import sys
import time
from typing import Any

import aiomqtt

MAX_LOAD_N, MIN_LOAD_N, MAX_RAMP, OWN_RAMP, MAX_LEASE_MS, DT_S, FRAME = 800.0, 20.0, 1_000.0, 400.0, 1_000, 0.01, 5
AT_ONCE = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]  # otherwise small messages wait tens of milliseconds


class Hardware:
    """A handle that rests at the rig, and a motor that follows a ramp."""

    def __init__(self) -> None:
        self.applied_n = self.target_n = 0.0
        self.ramp, self.docked, self.position_m, self.velocity_m_s = OWN_RAMP, True, 0.0, 0.0

    def step(self, dt: float) -> None:
        """Advance by ``dt`` seconds."""
        self.applied_n += max(-self.ramp * dt, min(self.ramp * dt, self.target_n - self.applied_n))


class Rig:
    """Binding, leases and refusals around the hardware."""

    def __init__(self, name: str) -> None:
        self.root, self.name, self.boot_id = f"ebbset/v1/{name}/", name, secrets.token_hex(6)
        self.hardware, self.began = Hardware(), time.monotonic()
        self.bound: dict[str, Any] | None = None
        self.spent: set[str] = set()
        self.last_seq, self.lease_ends, self.frames, self.events = -1, 0.0, 0, 0

    def now_us(self) -> int:
        """The rig's own clock, microseconds since it booted."""
        return int((time.monotonic() - self.began) * 1e6)

    def identity(self, online: bool) -> str:
        """Who this rig is and what it can do; with ``online`` false, its last will."""
        can = {"cables": 1, "telemetry": "frames", "sample_rate_hz": 1 / DT_S, "has_force": True}
        limits = {"max_load_n": MAX_LOAD_N, "min_load_n": MIN_LOAD_N, "max_ramp_n_per_s": MAX_RAMP}
        who = {"version": 1, "rig": self.name, "boot_id": self.boot_id, "online": online, "firmware": "one page"}
        # There is no motor yet, so recordings and reports are labelled as simulated. Remove "simulated" for a real one.
        return json.dumps(who | can | limits | {"max_lease_ms": MAX_LEASE_MS, "simulated": True})

    def obey(self, c: dict[str, Any]) -> str | None:
        """Obey a command, or return why not. The safe commands come first and are always obeyed."""
        hardware, bound = self.hardware, self.bound
        ours = bound is not None and c["nonce"] == bound["nonce"]
        if c["kind"] == "release":
            if ours:
                self.let_go()
            return None if ours or c["nonce"] in self.spent else "foreign_nonce"
        if c["kind"] == "unload":
            ramp = min(c.get("ramp_n_per_s", OWN_RAMP), MAX_RAMP)
            # A repeat never makes an unloading slower.
            hardware.ramp = ramp if hardware.target_n > 0 else max(ramp, hardware.ramp)
            hardware.target_n = 0.0
            if ours and c["seq"] > self.last_seq:
                self.renew(c["seq"])
            return None
        if c["nonce"] in self.spent:
            return "spent_nonce"
        if not ours if bound is not None else c["kind"] == "load":
            return "foreign_nonce"
        rules = self.rules_of_arm(c) if c["kind"] == "arm" else self.rules_of_load(c, c["target_n"][0])
        refusal = next((rule for rule, broken in rules.items() if broken), None)
        if refusal is None and c["kind"] == "arm":
            self.bound = c
        elif refusal is None:
            hardware.target_n, hardware.ramp = c["target_n"][0], c["ramp_n_per_s"]
        if refusal is None:
            self.renew(c["seq"])
        return refusal

    def rules_of_arm(self, c: dict[str, Any]) -> dict[str, bool]:
        """Rules of an arm command, each True if broken; a nonce can be armed only once."""
        return {
            "wrong_cables": len(c["ceiling_n"]) != 1 or len(c["floor_n"]) != 1,
            "repeated_sequence": self.bound is not None,
            "above_ceiling": max(c["ceiling_n"]) > MAX_LOAD_N,
            "below_floor": min(c["floor_n"]) < MIN_LOAD_N or min(c["floor_n"]) > max(c["ceiling_n"]),
            "ramp_too_steep": c["max_ramp_n_per_s"] > MAX_RAMP,
            "lease_too_long": c["lease_ms"] > MAX_LEASE_MS,
        }

    def rules_of_load(self, c: dict[str, Any], target_n: float) -> dict[str, bool]:
        """Rules of a load command, each True if broken."""
        assert self.bound is not None
        age_us = self.now_us() - c["cites_t_us"]
        return {
            "wrong_cables": len(c["target_n"]) != 1,
            "repeated_sequence": c["seq"] <= self.last_seq,
            "future_citation": age_us < 0,
            "stale_citation": age_us > c["lease_ms"] * 1_000,
            "lease_too_long": c["lease_ms"] > self.bound["lease_ms"],
            "above_ceiling": target_n > min(self.bound["ceiling_n"][0], MAX_LOAD_N),
            "below_floor": 0 < target_n < max(self.bound["floor_n"][0], MIN_LOAD_N),
            "rise_while_undocked": target_n > self.hardware.target_n and not self.hardware.docked,
            "ramp_too_steep": c["ramp_n_per_s"] > min(self.bound["max_ramp_n_per_s"], MAX_RAMP),
        }

    def renew(self, seq: int) -> None:
        """Renew the lease after an obeyed command."""
        assert self.bound is not None
        self.last_seq = seq
        self.lease_ends = time.monotonic() + self.bound["lease_ms"] / 1_000

    def let_go(self) -> None:
        """Unload, no slower than armed, and spend the nonce for good."""
        assert self.bound is not None
        self.hardware.ramp = max(OWN_RAMP, self.bound["max_ramp_n_per_s"])
        self.spent.add(self.bound["nonce"])
        self.bound, self.last_seq, self.hardware.target_n = None, -1, 0.0

    async def listen(self, client: aiomqtt.Client) -> None:
        """Answer every command."""
        async for message in client.messages:
            if message.retain:
                continue  # a retained command is an old one
            try:
                command = json.loads(message.payload)
                answer = {"nonce": command["nonce"], "command_seq": command["seq"]}
                if not (isinstance(answer["nonce"], str) and isinstance(answer["command_seq"], int)):
                    continue  # nobody whom an answer would reach
                refusal = self.obey(command)
            except (ValueError, KeyError, TypeError, LookupError):
                continue  # not a command; a real rig reports a fault
            state = {"applied_n": [self.hardware.applied_n], "docked": self.hardware.docked, "t_us": self.now_us()}
            verdict = {"version": 1, "boot_id": self.boot_id, "accepted": refusal is None, "refusal": refusal}
            await client.publish(self.root + "rig/ack", json.dumps(answer | verdict | state), qos=1)

    async def sample(self, client: aiomqtt.Client) -> None:
        """Send frames, and watch the lease."""
        due = time.monotonic()
        while True:
            rows = []
            for _ in range(FRAME):
                due += DT_S
                await asyncio.sleep(max(0.0, due - time.monotonic()))
                if self.bound is not None and time.monotonic() > self.lease_ends:
                    self.let_go()
                    await self.report(client, "lease_expired")
                self.hardware.step(DT_S)
                # The moment of sampling, not of sending; on real hardware a timer gives it.
                rows.append((int((due - self.began) * 1e6), self.hardware.position_m, self.hardware.velocity_m_s))
            t, x, v = zip(*rows, strict=True)
            self.frames += 1
            cable = {"position_m": x, "velocity_m_s": v, "force_n": [self.hardware.applied_n] * FRAME}
            head = {"version": 1, "boot_id": self.boot_id, "seq": self.frames, "docked": self.hardware.docked}
            nonce = None if self.bound is None else self.bound["nonce"]
            body = {"nonce": nonce, "applied_n": [self.hardware.applied_n], "t_us": t, "cables": [cable]}
            await client.publish(self.root + "rig/frame", json.dumps(head | body))

    async def report(self, client: aiomqtt.Client, kind: str) -> None:
        """Report an event."""
        self.events += 1
        event = {"version": 1, "boot_id": self.boot_id, "seq": self.events, "t_us": self.now_us(), "kind": kind}
        await client.publish(self.root + "rig/event", json.dumps(event), qos=1)


async def main(name: str, host: str, port: int) -> None:
    """Serve until the broker goes away."""
    rig = Rig(name)
    will = aiomqtt.Will(rig.root + "rig/identity", rig.identity(online=False), qos=1, retain=True)
    async with (
        aiomqtt.Client(host, port, will=will, keepalive=5, socket_options=AT_ONCE) as client,
        asyncio.TaskGroup() as group,
    ):
        await client.subscribe(rig.root + "ctl/command")
        await client.publish(rig.root + "rig/identity", rig.identity(online=True), qos=1, retain=True)
        group.create_task(rig.listen(client))
        group.create_task(rig.sample(client))


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit("usage: python examples/rig_side.py RIG HOST PORT")
    try:
        asyncio.run(main(sys.argv[1], sys.argv[2], int(sys.argv[3])))
    except* aiomqtt.MqttError as errors:
        sys.exit(f"broker {sys.argv[2]}:{sys.argv[3]}: {errors.exceptions[0]}")
