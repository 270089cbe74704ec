"""What a study hides reaches no browser: every byte of every view and stream is searched, and hidden values change.

Two whole sets, one with drops and one with a programmed rest, reach the page as messages. A page that hides something
must stay the same to the byte when it differs, and must show the difference when it hides nothing.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from ebbset.models.contract.study_mark import QUANTITIES
from ebbset.models.contract.wire import Topic
from tests.console.test_blinded_screens import (
    NAMES,
    Change,
    another_arm,
    another_budget,
    fewer_repetitions,
    messages,
    other_loads,
    other_velocities,
    session,
    texts_of,
)
from tests.support.page_calls import Clock, caller_of, site_of
from tests.support.rig_messages import identity, take

VIEWS = ("/", "/rig/north/lifter", "/rig/north/coach", "/rig/north/arm", "/rig/north/stopping", "/stopping")
STREAMS = ("/stream?view=room", "/stream/north?view=lifter", "/stream/north?view=coach", "/stream/north?view=stop")


async def sent(home: Path, arm: str, change: Change | None = None, *, known: bool = True, **blinding: Any) -> str:
    """All that the page sends during a set: every view and stream, now and then, with nothing random in it."""
    clock = Clock()
    site = site_of(home, clock)
    site.streams.run, site.hub.connected = "run", True
    order = session(arm, **blinding)
    if known:
        site.orders.know(order)
    caller, kept = caller_of(site), []
    take(site.hub, identity("north"))
    for number, (topic, told) in enumerate(messages(arm, order)):
        clock.now_s = 1_000.0 + number / 100
        heard = told if change is None else change(topic, told) or {}
        site.hub.take(topic.path("north"), json.dumps(heard).encode(), retained=False)
        armed = site.hub.watches["north"].live.report
        if armed is not None and armed.prescription and (number % 150 == 0 or topic is Topic.RESULT):
            for path in VIEWS:
                text = (await caller.get(path)).text
                kept.append(re.sub(r'name="(csrf|once)" value="[^"]*"', "", text))
            for path in STREAMS:
                await caller.stream(path, 1)
                kept.append(caller.raw.decode())
    return "\n".join(kept)


@pytest.mark.parametrize("condition", ["A", "B"])
@pytest.mark.parametrize(
    ("hide", "change"),
    [
        (["load"], other_loads),
        (["velocity"], other_velocities),
        (["repetitions"], fewer_repetitions),
        (["budget"], another_budget),
        ([], another_arm),
    ],
)
async def test_no_byte_differs_when_what_is_hidden_does(
    tmp_path: Path, condition: str, hide: list[str], change: Change
) -> None:
    assert await sent(tmp_path, condition, hide=hide) == await sent(tmp_path, condition, change, hide=hide)


@pytest.mark.parametrize("change", [other_loads, other_velocities, fewer_repetitions, another_budget, another_arm])
async def test_the_same_changes_show_where_nothing_is_hidden(tmp_path: Path, change: Change) -> None:
    shown = await sent(tmp_path, "A", condition=False)
    assert shown != await sent(tmp_path, "A", change, condition=False)
    for told in ("kg", "m/s", "repetitions", "capacity lost"):
        assert told in shown


@pytest.mark.parametrize("condition", ["A", "B"])
async def test_figures_names_and_sentences_that_are_hidden_are_nowhere(tmp_path: Path, condition: str) -> None:
    everything = await sent(tmp_path, condition, hide=list(QUANTITIES))
    assert re.search(r"Session \d of p0\d", everything)
    for text in (*texts_of(condition), *NAMES):
        assert text not in everything.replace("resting", "").replace("Rest.", "") or text in ("resting", "Rest.")
    for figure in ('data-figure="load"', 'data-figure="repetitions"', '"load":', '"repetitions":', '"budget":', " m/s"):
        assert figure not in everything, figure
    for trace in re.findall(r'"trace":(\[.*?\]),"whole"', everything):
        assert trace == "[]"
    assert re.search(r"\d kg|\d lb|\d N\b|\d ?%", re.sub("80 % band", "", everything)) is None


@pytest.mark.parametrize("condition", ["A", "B"])
async def test_a_session_that_the_page_does_not_know_shows_nothing(tmp_path: Path, condition: str) -> None:
    everything = await sent(tmp_path, condition, known=False, hide=["load"])
    assert "what its screens may show is not known here" in everything
    assert re.search(r"\d kg|m/s|\d ?%", re.sub("80 % band", "", everything)) is None


async def test_lifter_and_assessor_see_what_the_study_lets_each_see(tmp_path: Path) -> None:
    clock = Clock()
    site = site_of(tmp_path, clock)
    site.hub.connected = True
    order = session("A", hide=[], hide_from_lifter=["load"], hide_from_assessor=["velocity"])
    site.orders.know(order)
    take(site.hub, identity("north"))
    for number, (topic, told) in enumerate(messages("A", order)):
        if topic is Topic.RESULT:
            break
        clock.now_s = 1_000.0 + number / 100
        site.hub.take(topic.path("north"), json.dumps(told).encode(), retained=False)
    caller = caller_of(site)
    lifter, coach = (await caller.get("/rig/north/lifter")).text, (await caller.get("/rig/north/coach")).text
    room = (await caller.get("/")).text
    assert 'data-figure="load"' not in lifter
    assert 'data-figure="load"' in coach
    assert 'data-figure="velocity"' not in coach
    assert 'data-figure="load"' not in room, "anybody may look at the room"
    (told,) = await caller.stream("/stream/north?view=lifter", 1)
    assert "load" not in told["rigs"]["north"]["figures"]
