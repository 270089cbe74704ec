"""The rig's shell in virtual time: faults stop it, leaving unloads it, and no broker is no reason to stop looking."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any, TypeVar
from unittest import mock

import aiomqtt
import pytest

from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.wire import Topic
from ebbset.rig import rig_connection
from ebbset.rig.hardware import SensorReading
from ebbset.rig.rig_server import RigFaultError, RigServer
from tests.rig.test_rig_cycle import LIMITS, RIG, STILL
from tests.support.memory_broker import MemoryBroker, MemoryClient
from tests.support.virtual_time import run_in_virtual_time

T = TypeVar("T")


class Hardware:
    """Four functions that keep what they were told, and fail on request."""

    def __init__(self) -> None:
        self.forces_n: list[float] = []
        self.stops = 0
        self.broken: str | None = None
        self.reading = STILL

    def _maybe(self, name: str) -> None:
        if self.broken == name:
            raise OSError(f"{name} failed")

    def read_sensors(self) -> SensorReading:
        self._maybe("read_sensors")
        return self.reading

    def apply_force(self, force_n: tuple[float, ...]) -> None:
        self._maybe("apply_force")
        self.forces_n.append(force_n[0])

    def is_docked(self) -> bool:
        self._maybe("is_docked")
        return True

    def stop(self) -> None:
        self.stops += 1
        self._maybe("stop")


class Person:
    """Somebody on the wire who arms and loads."""

    def __init__(self, broker: MemoryBroker) -> None:
        self.client: MemoryClient = broker.new_client(BrokerSettings(), "person", sink=self._take)
        self.seen: list[tuple[str, dict[str, Any]]] = []

    def _take(self, message: aiomqtt.Message) -> None:
        assert isinstance(message.payload, bytes)
        self.seen.append((message.topic.value.rpartition("north/")[2], json.loads(message.payload)))

    def of(self, topic: Topic) -> list[dict[str, Any]]:
        return [content for seen, content in self.seen if seen == topic.value]

    async def load(self) -> None:
        for topic in (Topic.FRAME, Topic.EVENT, Topic.ACK, Topic.IDENTITY):
            await self.client.subscribe(topic.path("north"))
        head = {"version": 1, "nonce": "nonce-0001"}
        arm = {"kind": "arm", "seq": 1, "ceiling_n": [400.0], "floor_n": [50.0], "max_ramp_n_per_s": 800.0}
        await self.send(head | arm | {"lease_ms": 600})
        await asyncio.sleep(0.1)
        cited = self.of(Topic.FRAME)[-1]["t_us"][-1]
        load = {"kind": "load", "seq": 2, "target_n": [100.0], "ramp_n_per_s": 800.0, "lease_ms": 600}
        await self.send(head | load | {"cites_t_us": cited})
        await asyncio.sleep(0.2)
        assert [ack["refusal"] for ack in self.of(Topic.ACK)] == [None, None]

    async def send(self, command: dict[str, Any]) -> None:
        await self.client.publish(Topic.COMMAND.path("north"), json.dumps(command).encode())


def with_loaded_rig(then: Callable[[RigServer, Hardware, Person, asyncio.Event], Coroutine[Any, Any, T]]) -> T:
    broker = MemoryBroker()

    async def main() -> T:
        hardware, stop, loop = Hardware(), asyncio.Event(), asyncio.get_running_loop()
        server = RigServer(hardware, RIG, BrokerSettings(), clock_s=loop.time)
        serving = asyncio.create_task(server.run(stop))
        await asyncio.sleep(0.3)
        person = Person(broker)
        async with person.client:
            await person.load()
            assert hardware.forces_n[-1] == 100.0
            try:
                return await then(server, hardware, person, stop)
            finally:
                stop.set()
                await asyncio.gather(serving, return_exceptions=True)
                assert hardware.stops >= 1

    with mock.patch.object(rig_connection, "new_client", broker.new_client):
        return run_in_virtual_time(main)


@pytest.mark.parametrize("broken", ["read_sensors", "apply_force", "is_docked"])
def test_a_function_that_fails_stops_the_drive_and_is_told(broken: str) -> None:
    async def then(_server: RigServer, hardware: Hardware, person: Person, _stop: asyncio.Event) -> None:
        hardware.broken = broken
        await asyncio.sleep(0.3)
        assert hardware.stops >= 1
        frames = len(person.of(Topic.FRAME))
        [event] = person.of(Topic.EVENT)
        assert (event["kind"], event["detail"]) == ("fault", f"OSError: {broken} failed")
        assert person.of(Topic.IDENTITY)[-1]["online"] is False
        await asyncio.sleep(0.3)
        assert len(person.of(Topic.FRAME)) == frames

    with_loaded_rig(then)


def test_a_drive_that_cannot_be_stopped_does_not_hide_the_fault() -> None:
    async def main() -> None:
        hardware = Hardware()
        hardware.reading = replace(STILL, position_m=(float("nan"),))
        hardware.stop = mock.Mock(side_effect=OSError("no bus"))  # type: ignore[method-assign]
        server = RigServer(hardware, RIG, BrokerSettings(), clock_s=asyncio.get_running_loop().time)
        with pytest.raises(RigFaultError, match=r"SensorError: position_m is \(nan,\)"):
            await server.run(asyncio.Event())

    with mock.patch.object(rig_connection, "new_client", MemoryBroker().new_client):
        run_in_virtual_time(main)


def test_a_rig_that_is_switched_off_takes_its_load_down_by_the_ramp_first() -> None:
    async def then(_server: RigServer, hardware: Hardware, person: Person, stop: asyncio.Event) -> None:
        before = len(hardware.forces_n)
        stop.set()
        await asyncio.sleep(0.5)
        down_n = hardware.forces_n[before:]
        assert down_n[-1] == 0.0
        # 800 N/s, as armed, at 100 Hz.
        assert max(a - b for a, b in zip([100.0, *down_n], down_n, strict=False)) <= 8.0 + 1e-6
        assert hardware.stops == 1
        assert person.of(Topic.IDENTITY)[-1]["online"] is False

    with_loaded_rig(then)


def test_without_a_broker_the_lease_runs_out_all_the_same() -> None:
    async def then(server: RigServer, hardware: Hardware, _person: Person, _stop: asyncio.Event) -> None:
        gone = mock.Mock(side_effect=aiomqtt.MqttError("no broker"))
        with mock.patch.object(rig_connection, "new_client", gone):
            server.connection.break_off()
            await asyncio.sleep(LIMITS.max_lease_ms / 1_000 + 0.2)
            assert gone.call_count >= 1
            assert hardware.forces_n[-1] == 0.0

    with_loaded_rig(then)


def test_a_description_outside_the_contract_is_refused_before_anything_moves() -> None:
    hardware = Hardware()
    with pytest.raises(ValueError, match="sample_rate_hz is 5; allowed: at least 50"):
        RigServer(hardware, replace(RIG, sample_rate_hz=5.0), BrokerSettings())
    assert hardware.forces_n == []
