"""Sessions on the page: those that it leads, those that it reads, and what a request may change of them."""

from __future__ import annotations

import asyncio
import re
import threading
from pathlib import Path

import pytest

from ebbset.coaching.history.rebuild import Filled, HistoryFiles, fill
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.sessions.journal import Journal
from ebbset.coaching.sessions.next_load import with_start
from ebbset.coaching.sessions.session_events import Armed, Begun, SetBegun, SetEnded
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.page.rigs.shown_rig import ShownRig
from ebbset.console.page.site import Site
from ebbset.console.page.views import history_views
from tests.console.test_blinded_screens import session as study_session
from tests.support.page_calls import WALL_S, Clock, caller_of, site_of
from tests.support.rig_messages import frame, identity, state, take
from tests.support.served import until
from tests.support.session_plans import plan, step

BEGAN_N = 392.3
"""Less than the plan has, as after sets that left fatigue: 40.0 kg."""


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def site(tmp_path: Path, clock: Clock) -> Site:
    made = site_of(tmp_path, clock)
    made.hub.connected = True
    take(made.hub, identity("rig1"), state("rig1", "idle", 50.0), frame("rig1", 7.0, 0.0))
    return made


def write(site: Site, name: str, made: SessionPlanFile) -> SessionPlanFile:
    folder = site.home / "sessions"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.plan.toml").write_text(made.to_toml())
    return made


def begun(site: Site, name: str, made: SessionPlanFile, clock: Clock) -> Journal:
    """A journal that another program holds, of a session whose first set is over."""
    journal = Journal.open(site.home / "sessions" / f"{name}.journal.jsonl")
    at_s = WALL_S + clock.now_s
    journal.append(Begun(at_s=at_s, plan=made.digest()))
    order = with_start(made.steps[0].prescription, BEGAN_N)
    journal.append(Armed(at_s=at_s + 1, step=1, nonce="nonce-0001", operator="anna", order=order))
    journal.append(SetBegun(at_s=at_s + 2, nonce="nonce-0001"))
    journal.append(SetEnded(at_s=at_s + 42, nonce="nonce-0001", reason="repetitions_done", repetitions=8, drops=1))
    clock.now_s += 52.0
    return journal


async def test_a_session_that_is_led_elsewhere_is_shown_from_its_journal_and_cannot_be_led_here(
    site: Site, clock: Clock
) -> None:
    made = write(site, "tuesday", plan())
    journal = begun(site, "tuesday", made, clock)
    try:
        caller = caller_of(site)
        page = (await caller.get("/sessions/tuesday")).text
        assert "led elsewhere" in page
        assert "8 repetitions, 1 drop" in page
        listed = page[page.index('class="list plan"') :]
        first, second = re.findall(r"<li.*?</li>", listed, flags=re.DOTALL)[:2]
        assert "40.0 kg" in first, "what it began with, not what was planned"
        assert "42.8 kg" in second
        assert re.search(r'data-figure="session_rest">1:\d\d<', page)
        assert "Lead this session here" not in page
        csrf = (await caller.get("/")).hidden("csrf")
        refused = await caller.post("/sessions/tuesday/lead", {"csrf": csrf})
        assert refused.status == 409
        assert "another program leads this session" in refused.text
        for action in ("arm", "start", "skip", "repeat", "end"):
            answer = await caller.post(f"/sessions/tuesday/{action}", {"csrf": csrf, "cautions": "shown"})
            assert answer.status == 409
            assert "does not lead the session" in answer.text
        site.desk.look()
        coach = (await caller.get("/rig/rig1/coach")).text
        assert "Tuesday" in coach
        assert "a7" in (await caller.get("/")).text
        shown = ShownRig.of(site.hub.watches["rig1"], "lifter", site.hub.now_s(), connected=True)
        assert re.match(r"Next: row, set 2, with \d+\.\d kg, in 1:\d\d\.", shown.next)
        assert shown.figures()["left_of"] == "rest left"
    finally:
        journal.close()
    assert "Lead this session here" in (await caller.get("/sessions/tuesday")).text


async def test_a_session_is_led_here_skipped_ended_and_each_form_acts_once(site: Site) -> None:
    write(site, "tuesday", plan())
    caller = caller_of(site)
    csrf = (await caller.get("/")).hidden("csrf")
    assert (await caller.post("/sessions/tuesday/lead", {"csrf": csrf})).status == 303
    lead = site.desk.lead_of("tuesday")
    assert lead is not None
    await asyncio.sleep(0)
    page = await caller.get("/sessions/tuesday")
    assert "led here" in page.text
    skip = {"csrf": csrf, "once": page.hidden("once", "/sessions/tuesday/skip")}
    assert (await caller.post("/sessions/tuesday/skip", skip)).status == 303
    assert lead.view().step_number == 2
    again = await caller.post("/sessions/tuesday/skip", skip)
    assert again.status == 409
    assert "asked before" in again.text
    assert lead.view().step_number == 2
    form = await caller.get("/sessions/tuesday/arm")
    unticked = {"csrf": csrf, "once": form.hidden("once")}
    assert "not ticked" in (await caller.post("/sessions/tuesday/arm", unticked)).text
    refused = await caller.post("/sessions/tuesday/arm", {**unticked, "cautions": "shown"})
    assert refused.status == 409
    assert "Not armed: No connection to the broker" in refused.text
    assert (await caller.post("/sessions/tuesday/start", {"csrf": csrf, "arming": "nonce-0009"})).status == 409
    end = {"csrf": csrf, "once": (await caller.get("/sessions/tuesday")).hidden("once", "/sessions/tuesday/end")}
    assert (await caller.post("/sessions/tuesday/end", end)).status == 303
    await until(lambda: site.desk.lead_of("tuesday") is None)
    assert "ended by a person" in (await caller.get("/sessions/tuesday")).text
    await site.desk.close()


async def test_leading_is_left_off_and_picked_up_again(site: Site) -> None:
    write(site, "tuesday", plan())
    assert site.desk.lead("tuesday") == ""
    assert site.desk.lead("tuesday") == "", "it is led already"
    await asyncio.sleep(0)
    await site.desk.leave("tuesday")
    assert site.desk.lead_of("tuesday") is None
    assert site.desk.lead("tuesday") == ""
    await site.desk.close()
    assert site.desk.find("tuesday") is not None
    assert site.desk.find("wednesday") is None
    assert "allowed" in site.desk.lead("wednesday")


async def test_files_that_cannot_be_read_are_said_and_the_rest_is_listed(site: Site) -> None:
    made = write(site, "good", plan())
    write(site, "torn", made)
    (site.home / "sessions" / "torn.journal.jsonl").write_text('{"kind": "begun"}\n')
    (site.home / "sessions" / "bad.plan.toml").write_text("minutes = 700")
    page = (await caller_of(site).get("/sessions")).text
    assert page.count("cannot be read") == 2
    assert "torn.journal.jsonl: line 1" in page
    assert (await caller_of(site).get("/sessions/torn")).status == 200
    assert (await caller_of(site).get("/sessions/nobody")).status == 404


@pytest.mark.parametrize("path", ["/", "/rig/rig1/lifter", "/rig/rig1/coach", "/sessions", "/sessions/study"])
async def test_the_next_set_of_a_blinded_session_tells_neither_load_nor_why(
    site: Site, clock: Clock, path: str
) -> None:
    order = study_session("A", hide=["load"])
    one = step(1, prescription=order, title="Drops by fifths, 45.9 kg", may_leave_out=False)
    made = write(site, "study", plan(one, step(2, prescription=order, title="Drops by fifths again")))
    journal = begun(site, "study", made, clock)
    try:
        site.desk.look()
        text = (await caller_of(site).get(path)).text
        assert "Drops" not in text
        assert not re.search(r"\d kg", text)
        assert "fixed_fraction" not in text
    finally:
        journal.close()


async def test_a_lifters_history_is_made_from_the_home_folder(site: Site, clock: Clock) -> None:
    made = write(site, "tuesday", plan())
    begun(site, "tuesday", made, clock).close()
    (site.home / "sessions" / "no-recording.mcap").write_bytes(b"nothing that can be read")
    caller = caller_of(site)
    listed = (await caller.get("/lifters")).text
    assert "sessions/no-recording.mcap" in listed
    assert str(site.home) not in listed
    assert 'href="/lifters/a7"' in listed
    history = await caller.get("/lifters/a7")
    assert history.status == 200
    assert "Stop every rig" in history.text
    assert (await caller.get("/lifters/nobody")).status == 404
    assert "<style" not in history.text


async def test_a_list_that_is_still_being_filled_looks_again_by_itself(
    site: Site, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_go_on = threading.Event()

    def slow_fill(store: HistoryStore, files: HistoryFiles) -> Filled:
        may_go_on.wait(600.0)
        return fill(store, files)

    monkeypatch.setattr(history_views, "PATIENCE_S", 0.01)
    monkeypatch.setattr(history_views, "fill", slow_fill)
    begun(site, "tuesday", write(site, "tuesday", plan()), clock).close()
    caller = caller_of(site)
    waiting = (await caller.get("/lifters")).text
    may_go_on.set()
    assert 'http-equiv="refresh"' in waiting
    assert "still being filled" in waiting
    assert "Nobody is in the history" not in waiting
    monkeypatch.setattr(history_views, "PATIENCE_S", 600.0)
    done = (await caller.get("/lifters")).text
    assert 'http-equiv="refresh"' not in done
    assert 'href="/lifters/a7"' in done
