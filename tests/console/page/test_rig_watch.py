"""What the page knows of a rig: the newest set only, how old it is, and never without bound."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ebbset.console.page.rigs.next_words import clock
from ebbset.console.page.rigs.orders import KnownOrders
from ebbset.console.page.rigs.rig_hub import MOST_RIGS, RigHub
from ebbset.console.page.rigs.rig_watch import MOST_ANSWERS, MOST_RECORDS, STALE_S, TRACE_S, RigWatch
from ebbset.console.page.rigs.shown_rig import ShownRig, aged
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.prescription import example
from tests.support.page_calls import Clock
from tests.support.rig_messages import decision, frame, identity, repetition, result, state, take


@pytest.fixture
def clock_() -> Clock:
    return Clock()


@pytest.fixture
def hub(clock_: Clock, tmp_path: Path) -> RigHub:
    made = RigHub(BrokerSettings(), KnownOrders(tmp_path), now_s=clock_)
    made.connected = True
    return made


def shown(hub: RigHub, rig: str = "north") -> ShownRig:
    return ShownRig.of(hub.watches[rig], None, hub.now_s(), connected=hub.connected)


def test_a_rig_is_found_from_what_the_broker_kept_but_nothing_kept_is_current(hub: RigHub, clock_: Clock) -> None:
    take(hub, identity("north"), state("north", "working", 50.0, applied_n=[400.0]), retained=True)
    assert list(hub.watches) == ["north"]
    assert shown(hub).age_s is None
    assert shown(hub).stale
    take(hub, state("north", "working", 50.5))
    assert shown(hub).stale, "no frame yet, and the load is known from frames"
    take(hub, frame("north", 7.0, 400.0))
    assert not shown(hub).stale
    assert shown(hub).figures()["load"] == "40.8 kg"
    clock_.now_s += STALE_S + 0.01
    assert shown(hub).stale


def test_either_silence_makes_the_figures_old(hub: RigHub, clock_: Clock) -> None:
    take(hub, identity("north"))
    for k in range(40):
        take(hub, state("north", "working", 50.0 + k / 10), frame("north", 7.0 + k / 10, 400.0))
        clock_.now_s += 0.1
    assert not shown(hub).stale
    for k in range(15):
        clock_.now_s += 0.1
        take(hub, frame("north", 11.0 + k / 10, 400.0))
    assert shown(hub).stale, "the controller is silent"
    take(hub, state("north", "working", 55.5))
    assert not shown(hub).stale
    for k in range(15):
        clock_.now_s += 0.1
        take(hub, state("north", "working", 55.6 + k / 10))
    assert shown(hub).stale, "the rig is silent"


def test_what_was_long_on_the_way_is_old_though_it_has_just_come(hub: RigHub, clock_: Clock) -> None:
    take(hub, identity("north"))
    for k in range(5):
        clock_.now_s += 0.5
        take(hub, state("north", "working", 50.0 + k / 2), frame("north", 7.0 + k / 2, 400.0))
    clock_.now_s += 3.0
    take(hub, state("north", "working", 52.5), frame("north", 9.5, 400.0))
    age_s = shown(hub).age_s
    assert age_s == pytest.approx(2.5, abs=0.01)


def test_a_lost_connection_makes_everything_old_until_it_is_heard_again(hub: RigHub) -> None:
    take(hub, identity("north"), state("north", "working", 50.0), frame("north", 7.0, 400.0))
    assert not shown(hub).stale
    hub.connected = False
    assert shown(hub).stale
    assert shown(hub).link == "no connection to the broker"
    assert "its own stop" in shown(hub).next.lower()


def test_a_rig_that_is_off_and_a_controller_that_is_gone_are_told_apart(hub: RigHub) -> None:
    take(hub, identity("north", online=False), state("north", "offline", 50.0))
    assert shown(hub).link == "rig offline"
    take(hub, identity("north"), state("north", "idle", 50.5), frame("north", 7.0, 0.0))
    assert shown(hub).link == "connected"
    take(hub, state("north", "offline", 0.0, ticket=None))
    assert shown(hub).link == "no controller"
    assert shown(hub).stale
    take(hub, state("north", "idle", 3.0))
    assert not shown(hub).stale, "another controller, with another clock"


def test_a_rig_without_frames_is_known_from_reports(hub: RigHub) -> None:
    take(hub, identity("north", telemetry="repetitions"), state("north", "working", 50.0, applied_n=[300.0]))
    assert not shown(hub).stale
    assert shown(hub).figures()["load"] == "30.6 kg"


def test_a_new_set_forgets_the_one_before_whatever_of_it_comes_first(hub: RigHub) -> None:
    take(hub, identity("north"), state("north", "working", 50.0, nonce="nonce-0001"), frame("north", 7.0, 400.0))
    take(hub, repetition("north", 1), decision("north", "drop", "stall_in_concentric", "It stopped."))
    take(hub, result("north", "stop_requested", "A person asked to stop."))
    assert shown(hub).ended == "A person asked to stop."
    assert shown(hub).figures()["repetitions"] == "1"
    take(hub, decision("north", "arm", "armed", "Armed.", nonce="nonce-0002"))
    take(hub, state("north", "armed", 60.0, nonce="nonce-0002"))
    assert shown(hub).ended == ""
    assert shown(hub).figures()["repetitions"] == "0"
    assert [one["why"] for one in shown(hub).decisions()] == ["Armed."]
    take(hub, state("north", "idle", 61.0, nonce=None))
    assert [one["why"] for one in shown(hub).decisions()] == ["Armed."]


def test_nothing_grows_without_bound(hub: RigHub) -> None:
    take(hub, identity("north"), state("north", "working", 50.0, nonce="nonce-0001"))
    watch = hub.watches["north"]
    for k in range(MOST_RECORDS + 50):
        take(hub, repetition("north", k), decision("north", "hold", "stall_in_concentric", "x", seq=k))
    for k in range(2_000):
        take(hub, frame("north", 7.0 + k / 20, 400.0))
    for k in range(MOST_ANSWERS + 10):
        answer = {
            "version": 1,
            "correlation_id": f"c-{k:08d}",
            "accepted": True,
            "code": "x",
            "message": "",
            "state": "x",
        }
        take(hub, ("ebbset/v1/north/ctl/answer", json.dumps(answer).encode()))
    assert len(watch.live.repetitions) == len(watch.live.decisions) == MOST_RECORDS
    assert watch.trace[-1].t_s - watch.trace[0].t_s <= TRACE_S * 2
    assert len(watch.answers) == MOST_ANSWERS
    for k in range(2 * MOST_RIGS):
        take(hub, identity(f"rig{k}"))
    assert len(hub.watches) == MOST_RIGS


@pytest.mark.parametrize(
    ("path", "payload"),
    [
        ("ebbset/v1/north/rig/frame", b"{"),
        ("ebbset/v1/north/rig/frame", b"\xff" * 100),
        ("ebbset/v1/north/ctl/state", b'{"t_host_us": 1e400, "state": "x"}'),
        ("ebbset/v1/../rig/identity", identity("x")[1]),
        ("ebbset/v1/<b>/rig/identity", identity("x")[1]),
        ("ebbset/v1/" + "n" * 65 + "/rig/identity", identity("x")[1]),
        ("ebbset/v1/north/rig/identity/more", identity("north")[1]),
        ("ebbset/v1/north", b""),
        ("ebbset/v1/north/ctl/command", b"{}"),
    ],
)
def test_nothing_that_breaks_the_contract_makes_a_rig(hub: RigHub, path: str, payload: bytes) -> None:
    hub.take(path, payload, retained=False)
    assert hub.watches == {}


def test_the_order_that_the_page_knows_gives_time_left_rests_and_unit(hub: RigHub, clock_: Clock) -> None:
    order = example(
        units="lb",
        stop={"max_duration_s": 90.0},
        bouts=[{"repetitions": 2, "on_stall": "end"}, {"repetitions": 2, "rest_before_s": 20.0}],
    )
    hub.orders.know(order)
    armed = {"nonce": "nonce-0001", "prescription": order.name, "prescription_hash": order.digest()}
    take(hub, identity("north"), state("north", "armed", 50.0, **armed), frame("north", 7.0, 0.0))
    assert shown(hub).figures()["left"] == "1:30"
    take(hub, state("north", "working", 51.0, **armed), frame("north", 8.0, 400.0))
    assert shown(hub).figures()["load"] == "89.9 lb"
    assert shown(hub).next == "Lift."
    clock_.now_s += 10.0
    take(hub, state("north", "working", 61.0, **armed))
    assert shown(hub).figures()["left"] == "1:20"
    take(hub, state("north", "resting", 61.5, **armed))
    clock_.now_s += 18.0
    assert shown(hub).figures()["left"] == "0:02"
    assert shown(hub).figures()["left_of"] == "rest left"
    assert shown(hub).sounds()["tick"] == 3
    take(hub, state("north", "working", 82.0, bout=1, **armed), frame("north", 30.0, 400.0))
    assert "the load drops" in shown(hub).next


def test_words_for_ages_and_times() -> None:
    assert [aged(one) for one in (None, 0.04, 9.94, 42.0, 150.0, 9_000.0)] == [
        "for an unknown time", "0.0 s", "9.9 s", "42 s", "2 min", "2 h",
    ]  # fmt: skip
    assert [clock(one) for one in (0.9, 61.0, 605.0)] == ["0:00", "1:01", "10:05"]
    assert RigWatch("north").elapsed_s(0.0) is None
