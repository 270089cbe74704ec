"""Rigs of one worker that are armed in one moment take turns, so that a set under way waits for one arming at most."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Event, Requested, Samples
from ebbset.controller.service.arming_turns import ArmingTurns
from ebbset.controller.service.serve import Served
from ebbset.models.contract.wire import Topic
from tests.support.brokers import Mosquitto, free_port
from tests.support.operators import PATIENCE_S, arm_and_start, armed, operator
from tests.support.served import hand_rig, serving, settings_for, until
from tests.support.sessions import PATIENT, auto_drop_order

RIGS = 8
ORDER = auto_drop_order(safety=PATIENT).model_dump(mode="json")


class Worker:
    """Rigs without a broker in one loop; what their cores handled stands in ``handled``, in order.

    After each request to arm, a frame comes for the rig ``lifting``.
    """

    def __init__(self, folder: Path, turns: ArmingTurns) -> None:
        self._folder, self._turns, self._port = folder, turns, free_port()
        self.handled: list[str] = []
        self._more = asyncio.Event()
        self._frames = 0
        names = "lifting", *(f"rig{k}" for k in range(RIGS))
        self.rigs: dict[str, Served] = {name: self._rig(name) for name in names}

    def _rig(self, name: str) -> Served:
        def saw(event: Event, _outputs: tuple[Output, ...]) -> None:
            if isinstance(event, Samples):
                self.handled.append("frame")
            elif isinstance(event, Requested):
                self.handled.append(name)
                self._frame()
            self._more.set()

        broker = {"host": "127.0.0.1", "port": self._port}
        settings = ServeSettings.of(rig=name, recordings=self._folder / name, broker=broker)
        return Served(settings, observer=saw, arming_turns=self._turns)

    def _frame(self) -> None:
        self._frames += 1
        head = {"version": 1, "boot_id": "boot-one", "seq": self._frames, "nonce": None, "docked": True}
        cable = {"position_m": [0.0], "velocity_m_s": [0.0], "force_n": [0.0]}
        payload = json.dumps({**head, "applied_n": [0.0], "t_us": [self._frames], "cables": [cable]}).encode()
        self.rigs["lifting"].inbox.message(Topic.FRAME.path("lifting"), payload, retained=False)

    def ask_all_to_arm(self) -> None:
        for name, served in self.rigs.items():
            if name != "lifting":
                ticket = served._gate.ticket  # noqa: SLF001 - there is no broker that its state report could come by
                request = {"version": 1, "correlation_id": f"arm-{name}-{len(self.handled)}", "action": "arm"}
                request |= {"operator": "test", "ticket": ticket, "cautions_shown": True, "prescription": ORDER}
                served.inbox.message(Topic.REQUEST.path(name), json.dumps(request).encode(), retained=False)

    async def until_handled(self, count: int) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while len(self.handled) < count:
                self._more.clear()
                await self._more.wait()


@contextlib.asynccontextmanager
async def worker(folder: Path, turns: ArmingTurns) -> AsyncIterator[Worker]:
    found, stop = Worker(folder, turns), asyncio.Event()
    running = [asyncio.create_task(served.run(stop)) for served in found.rigs.values()]
    try:
        yield found
    finally:
        stop.set()
        await asyncio.gather(*running)


async def test_a_frame_that_waits_is_handled_before_the_next_arming(tmp_path: Path) -> None:
    async with worker(tmp_path, ArmingTurns()) as found:
        # The second time each of them begins a new recording, too.
        for times in (1, 2):
            found.ask_all_to_arm()
            await found.until_handled(2 * RIGS * times)
    armed, frames = found.handled[::2], found.handled[1::2]
    assert frames == ["frame"] * (2 * RIGS)
    assert armed == [f"rig{k}" for k in range(RIGS)] * 2, "they take turns in the order in which they were asked"


async def test_a_disk_that_does_not_answer_holds_up_the_arming_of_its_own_rig_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with worker(tmp_path, ArmingTurns()) as found:
        answers = threading.Event()
        slow = found.rigs["rig0"].rotation
        prepare = slow.prepare

        def prepare_when_it_answers() -> bool:
            answers.wait()
            return prepare()

        monkeypatch.setattr(slow, "prepare", prepare_when_it_answers)
        try:
            found.ask_all_to_arm()
            await found.until_handled(2 * (RIGS - 1))
            assert "rig0" not in found.handled
        finally:
            answers.set()
        await found.until_handled(2 * RIGS)
    assert "rig0" in found.handled


class WatchedTurns(ArmingTurns):
    """Turns that last until they are over, and that count who asked for one."""

    def __init__(self) -> None:
        super().__init__(most_s=100 * PATIENCE_S)
        self.asked = 0

    @contextlib.asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        self.asked += 1
        async with super().turn():
            yield


@pytest.mark.broker
async def test_a_set_under_way_waits_for_nobodys_turn(broker: Mosquitto, tmp_path: Path) -> None:
    rig, turns = "under-way", WatchedTurns()
    async with (
        serving(settings_for(broker, tmp_path, rig), arming_turns=turns),
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await arm_and_start(person)
        async with turns.turn():
            answer = await person.ask("arm", cautions_shown=True, prescription=ORDER)
            assert not answer["accepted"]
            await person.ask("stop")
            await person.until(lambda: person.of("ctl/result"))


@pytest.mark.broker
async def test_a_stop_voids_an_arming_that_waits_for_its_turn(broker: Mosquitto, tmp_path: Path) -> None:
    rig, turns = "overtaken-in-turn", WatchedTurns()
    async with (
        serving(settings_for(broker, tmp_path, rig), arming_turns=turns) as served,
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        await person.until_state("idle")
        await person.until(lambda: len(person.of("rig/frame")) > 3)
        async with turns.turn():
            before = turns.asked
            arming = asyncio.create_task(person.ask("arm", cautions_shown=True, prescription=ORDER))
            await until(lambda: turns.asked > before)
            stopping = asyncio.create_task(person.ask("stop"))
            await until(lambda: served.inbox.stop_asked)
        answer = await arming
        assert (answer["accepted"], answer["code"]) == (False, "overtaken_by_stop")
        assert (await stopping)["code"] == "already_stopped"
        assert served.controller.state == "idle"
        await armed(person, ORDER)
        await person.ask("release")
        await person.until_state("ended")
