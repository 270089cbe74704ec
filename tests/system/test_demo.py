"""The demonstration runs to its end: embedded broker, processes, one set over TCP, a recording that replays."""

from __future__ import annotations

import asyncio
import io
import re
import signal
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from ebbset.console.exits import CommandError
from ebbset.console.live import demonstration
from ebbset.console.rig_commands import demo
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.controller.recording.sources import open_recording, read_source
from ebbset.controller.service.policy_registry import load_policies
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise


def _documents() -> tuple[Prescription, LifterProfile]:
    order, profile = demonstration.demo_files()
    return Prescription.from_toml(order), LifterProfile.from_toml(profile)


def test_a_short_set_goes_through_broker_processes_and_operator(tmp_path: Path) -> None:
    order, profile = _documents()
    short = Prescription.model_validate({**order.model_dump(), "stop": {"max_repetitions": 2}})
    screen = Console(file=io.StringIO(), width=100)
    outcome = asyncio.run(demonstration.run(tmp_path, screen, prescription=short, profile=profile))
    assert outcome.state.result is not None
    assert outcome.state.result.reason == Reason.REPETITIONS_DONE
    assert outcome.state.result.repetitions == 2
    # What the observer saw on the wire is what the recording holds.
    (item,) = read_source(outcome.recording).sets
    assert item.result is not None
    assert item.result.text == outcome.state.result.text
    assert [r.mean_velocity_m_s for r in item.repetitions] == pytest.approx(
        [r.mean_velocity_m_s for r in outcome.state.repetitions]
    )
    assert item.prescription == short
    assert item.profile == profile
    recording = open_recording(outcome.recording)
    assert recording.whole
    assert recording.metadata["simulated"] == "true"
    assert replay(recording, load_policies()).verdict is Verdict.SAME


def test_the_set_is_watched_in_a_browser_and_the_page_stays_until_it_is_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order, profile = _documents()
    short = Prescription.model_validate({**order.model_dump(), "stop": {"max_repetitions": 1}})
    monkeypatch.setattr(demo, "PAGE_PORT", 0)
    screen = Console(file=io.StringIO(), width=200)

    def look() -> None:
        """A browser that looks, sees the end of the set, and whose person then presses Ctrl-C."""
        said = _until(lambda: re.search(r"Open (http://\S+)/lifter in", screen.file.getvalue()))  # type: ignore[attr-defined]
        with urllib.request.urlopen(
            said[1].replace("/rig/demo", "/stream/demo") + "?view=lifter", timeout=100
        ) as stream:
            _until(lambda: b'"ended":"The prescribed number' in stream.readline())
        _until(lambda: "stays at" in screen.file.getvalue())  # type: ignore[attr-defined]
        signal.raise_signal(signal.SIGINT)

    looking = threading.Thread(target=look, daemon=True)
    looking.start()
    outcome = asyncio.run(demo.in_browser(tmp_path, screen, short, profile))
    looking.join()
    assert outcome.state.result is not None
    assert outcome.state.result.reason == Reason.REPETITIONS_DONE


def _until(condition: Callable[[], Any]) -> Any:
    while not (found := condition()):
        time.sleep(0.02)
    return found


def test_a_process_that_dies_is_reported_with_its_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order, profile = _documents()
    monkeypatch.setattr(demonstration, "RIG", "no/such name")
    # both refuse the name; which of them is found dead first is chance
    with pytest.raises(CommandError, match=r"ended early; see .*demo-(controller|rig)\.log") as told:
        asyncio.run(demonstration.run(tmp_path, Console(file=io.StringIO()), prescription=order, profile=profile))
    log = tmp_path / ("demo-controller.log" if "demo-controller" in str(told.value) else "demo-rig.log")
    assert "'no/such name'; allowed: " in log.read_text(encoding="utf-8")


def test_the_demonstrations_own_set_shows_drops_and_an_end_by_rule_in_time() -> None:
    order, profile = _documents()
    assert "nvented" in order.notes
    done = run_set(order, exercise(order.exercise).mean_lifter(), seed=1, profile=profile)
    assert done.result is not None
    assert done.result.drops >= 2
    assert done.result.reason is not Reason.DURATION_SPENT
    assert done.duration_s < 75.0
    assert not done.violations
