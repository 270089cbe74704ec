"""The short form of the fault campaign: real processes over a real Mosquitto, the faults that matter most."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from campaigns.faults import campaign
from campaigns.faults.campaign import (
    STARVED_S,
    Outcome,
    as_table,
    frames_missing,
    longest_silence_s,
    rises_after,
    run_campaign,
)
from campaigns.faults.network import Relay
from campaigns.faults.scenarios import SCENARIOS, SHORT, Scenario
from campaigns.faults.sightings import Sighting, ended_as, unseen
from campaigns.faults.site import Site, Truth
from ebbset.controller.messages.events import Samples
from ebbset.controller.metrics import definitions as metrics
from ebbset.controller.recording.file_state import broken_off
from ebbset.controller.recording.writer import RecordingWriter
from tests.support.brokers import Mosquitto
from tests.support.operators import PATIENCE_S, operator
from tests.support.served import serving, settings_for
from tests.support.sessions import auto_drop_session

pytestmark = pytest.mark.broker


@pytest.mark.usefixtures("compiled_rig")
def test_every_fault_of_the_short_form_unloads_in_time_and_lets_nothing_go_on() -> None:
    outcomes = asyncio.run(run_campaign(tuple(s for s in SCENARIOS if s.name in SHORT), at_once=len(SHORT)))
    assert len(outcomes) == len(SHORT)
    assert all(outcome.passed for outcome in outcomes), "\n" + as_table(outcomes)
    timed = [outcome for outcome in outcomes if outcome.allowed_s is not None]
    assert len(timed) >= 4
    assert all(outcome.order_gone_s is not None and outcome.unloaded_s is not None for outcome in timed)


def test_the_campaign_has_every_fault_that_was_asked_for() -> None:
    names = " ".join(scenario.name for scenario in SCENARIOS)
    for fault in (
        "broker killed",
        "cannot send",
        "cannot hear",
        "cut both ways",
        "killed mid-drop",
        "rebooted",
        "second controller",
        "one name",
        "delayed two seconds",
        "twice",
        "out of order",
        "clock",
        "frozen",
        "stuck",
        "biased",
        "NaN",
        "disk full",
        "suspended for 5 s",
    ):
        assert fault in names, fault
    # A fault that ends no set, or leaves no controller to tell its end, must name its metric.
    assert all(scenario.seen for scenario in SCENARIOS if not scenario.reasons)
    assert len({scenario.name for scenario in SCENARIOS}) == len(SCENARIOS)


def test_a_fault_that_the_metrics_do_not_show_is_told() -> None:
    text = (
        "# TYPE ebbset_rig_boots counter\n"
        'ebbset_rig_boots_total{rig="bench"} 1.0\n'
        "# TYPE ebbset_sets_ended counter\n"
        'ebbset_sets_ended_total{rig="bench",reason="rig_lost"} 1.0\n'
    )
    two_boots = Sighting(metrics.RIG_BOOTS, least=2.0)
    assert unseen([ended_as("rig_lost"), two_boots], [text, text]) == []
    assert unseen([two_boots, ended_as("link_lost")], [text, ""]) == [
        "ebbset_rig_boots_total{} is 1 in the metrics; expected at least 2",
        "ebbset_sets_ended_total{reason=link_lost} is 0 in the metrics; expected at least 1",
    ]


def test_a_load_that_rises_after_the_fault_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [Truth(at, n, n, k, False, 0) for k, (at, n) in enumerate(((0.0, 400.0), (1.0, 300.0), (2.0, 301.0)))]
    monkeypatch.setattr(Site, "truth", lambda _site: rows)
    site = Site(Path())
    assert rises_after(site, 0.0) == ["the load rose to 301 N 2.00 s after the fault"]
    assert rises_after(site, 2.5) == []


def test_a_bench_that_fails_is_set_up_again_and_a_site_that_fails_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    def outcome(*, passed: bool, bench_failed: bool) -> Outcome:
        return Outcome("any", None, None, None, 0, "", "", "", passed, "", bench_failed=bench_failed)

    bench, good = outcome(passed=False, bench_failed=True), outcome(passed=True, bench_failed=False)
    site = outcome(passed=False, bench_failed=False)
    for came, attempts, passed in (((bench, good), 2, True), ((site, good), 1, False), ((bench,) * 4, 3, False)):
        left, folders = list(came), set[Path]()

        async def attempt(
            _scenario: Scenario,
            folder: Path,
            _starting: object,
            left: list[Outcome] = left,
            folders: set[Path] = folders,
        ) -> Outcome:
            folders.add(folder)
            return left.pop(0)

        monkeypatch.setattr(campaign, "_attempt", attempt)
        told = asyncio.run(run_campaign(SCENARIOS[:1]))[0]
        assert (told.attempts, told.passed) == (attempts, passed)
        assert len(folders) == attempts, "each attempt is made on a new site"


def test_a_machine_that_stood_still_is_distinguished_from_a_site_that_failed() -> None:
    def rows(*at_s: float) -> list[Truth]:
        return [Truth(at, 0.0, 0.0, k, False, 0) for k, at in enumerate(at_s)]

    assert longest_silence_s(rows(9.0, 9.01, 9.02, 9.05), fault_s=9.01) < STARVED_S
    assert longest_silence_s(rows(9.0, 9.01, 9.2), fault_s=9.01) > STARVED_S
    assert longest_silence_s(rows(1.0, 3.0, 9.0, 9.01), fault_s=9.01) < STARVED_S  # long before the fault


def test_frames_of_another_rig_with_the_same_name_are_counted_neither_for_nor_against_the_first() -> None:
    def heard(boot_id: str, *seqs: int) -> list[Samples]:
        zero = {"t_us": (0,), "position_m": ((0.0,),), "velocity_m_s": ((0.0,),), "force_n": ((0.0,),)}
        return [
            Samples(now_us=0, boot_id=boot_id, seq=seq, nonce=None, docked=True, applied_n=(0.0,), **zero)  # type: ignore[arg-type]
            for seq in seqs
        ]

    # Two rows a frame, as the rig's process writes them more often than a frame is full.
    sent = [Truth(0.05 * frame + late, 0.0, 0.0, frame, True, 0) for frame in range(10) for late in (0.0, 0.01)]
    assert frames_missing(heard("first", *range(4, 10)), sent) == {}
    # The double's frame 0 does not say that the recording began with frame 0 of the first rig.
    assert frames_missing([*heard("first", *range(4, 10)), *heard("double", 0)], sent) == {}
    # Nor is its frame 6 the one that is missing of the first.
    missing = frames_missing([*heard("first", 4, 5, 7, 9), *heard("double", *range(10))], sent)
    assert {frame: row.at_s for frame, row in missing.items()} == {6: 0.05 * 6, 8: 0.05 * 8}


async def test_a_run_that_broke_off_is_reported_at_the_next_start(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "after-crash"
    settings = settings_for(broker, tmp_path, rig)
    folder = tmp_path / rig
    folder.mkdir()
    pairs = auto_drop_session()[:400]
    for name, ended in (("1", True), ("2", False)):
        path = folder / f"{rig}-2026010{name}T000000.mcap"
        with path.open("wb") as stream:
            writer = RecordingWriter(stream, {"rig": rig})
            for event, outputs in pairs:
                writer.add(event, outputs)
            writer.flush()
            if ended:
                writer.finish({"handled": str(len(pairs)), "lost": "0"})
        assert broken_off(path) == (None if ended else "working")
        with capture_logs() as logs:
            async with operator(broker.port, rig) as person, serving(settings):
                await person.until(lambda: person.of("ctl/state"))
        told = [log for log in logs if log["event"] == "earlier_run_broke_off"]
        assert [log["state"] for log in told] == ([] if ended else ["working"])
        for later in folder.glob(f"{rig}-*Z.mcap"):
            later.unlink()


async def test_the_relay_repeats_swaps_and_holds_commands_and_nothing_else() -> None:
    received: list[bytes] = []

    async def broker(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        topic = b"ebbset/v1/x/ctl/command"
        for payload in (b"1", b"2", b"3", b"4"):
            body = len(topic).to_bytes(2) + topic + payload
            writer.write(bytes([0x30, len(body)]) + body)
        writer.write(b"\xd0\x00")
        await writer.drain()

    server = await asyncio.start_server(broker, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    for how, expected in (
        ("none", [b"1", b"2", b"3", b"4"]),
        ("duplicate", [b"1", b"1", b"2", b"2", b"3", b"3", b"4", b"4"]),
        ("reorder", [b"2", b"1", b"4", b"3"]),
        ("delay", []),
    ):
        relay = Relay(port, commands=how)  # type: ignore[arg-type]
        await relay.start()
        reader, writer = await asyncio.open_connection("127.0.0.1", relay.port)
        received.clear()
        data = b""
        while not data.endswith(b"\xd0\x00"):
            data += await asyncio.wait_for(reader.read(4096), PATIENCE_S)
        received = [part[:1] for part in data.split(b"ctl/command")[1:]]
        assert received == expected, how
        writer.close()
        await relay.stop()
    server.close()
