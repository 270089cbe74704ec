"""Long work shows its progress: a bar on a terminal, lines where there is none, and time in the live view."""

from __future__ import annotations

import io
import json
import time
import tomllib
from collections.abc import Callable

import pytest
from rich.console import Console

from ebbset.console import app, progress
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import in_a_line, on_screen, picture
from ebbset.console.progress import tracked
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import Mark
from ebbset.models.contract.wire import Topic
from ebbset.simulators.validation import validate
from ebbset.simulators.validation.comparison import Section
from tests.support.commands import ROW


def wait_for(condition: Callable[[], bool]) -> None:
    until_s = time.monotonic() + 30.0
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.002)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress, "FIRST_S", 0.001)
    monkeypatch.setattr(progress, "EVERY_S", 0.001)


@pytest.mark.usefixtures("quick")
def test_a_pipe_gets_lines_however_long_one_step_takes() -> None:
    stream = io.StringIO()
    with progress.progress("simulated sets", 3, stream=stream) as advance:
        wait_for(lambda: stream.getvalue().count("\n") >= 2)
        advance(None)
        wait_for(lambda: "simulated sets, 1 of 3, " in stream.getvalue())
        advance("another thing")
        wait_for(lambda: "another thing, 1 of 3, " in stream.getvalue())
    told = stream.getvalue()
    assert "s so far" in told
    assert stream.getvalue() == told, "nothing is written after the work"


def test_quick_work_says_nothing() -> None:
    stream = io.StringIO()
    with progress.progress("simulated sets", 3, stream=stream) as advance:
        advance(None)
    assert stream.getvalue() == ""


def test_an_error_in_the_work_ends_the_lines() -> None:
    with pytest.raises(ValueError, match="no"), progress.progress("work", stream=io.StringIO()):
        raise ValueError("no")


@pytest.mark.usefixtures("quick")
def test_results_pass_through_in_order(capsys: pytest.CaptureFixture[str]) -> None:
    assert list(tracked(iter([3, 1, 2]), "things", 3)) == [3, 1, 2]
    assert capsys.readouterr().out == ""


def test_a_terminal_gets_a_bar_that_goes_away() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream = Terminal()
    with progress.progress("simulated sets", 2, stream=stream) as advance:
        advance(None)
        advance("another thing")
    assert "1/2" in stream.getvalue()


def test_what_is_left_is_estimated_part_by_part(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now_s)
    lines = progress.Lines("sets", None, io.StringIO(), begun_s=100.0, part_s=100.0)
    assert lines.times() == "0 s so far"
    lines.advance("family a", 8)
    for _ in range(2):
        now_s += 3.0
        lines.advance()
    assert lines.times() == "6 s so far, about 18 s left", "3 s each, and six to go"
    lines.advance(total=3)
    assert lines.times() == "6 s so far"
    now_s += 10.0
    lines.advance()
    assert lines.times() == "16 s so far, about 20 s left of this part"
    assert lines.what == "family a"


def test_what_a_mapper_yields_is_counted() -> None:
    shown: list[object] = []
    mapper = progress.counted(map, lambda what=None, total=None: shown.append(what if total is None else total))
    assert list(mapper(abs, [-1, -2])) == [1, 2]
    assert list(mapper(abs, iter([-3]))) == [3]
    assert shown == [2, None, None, None]


@pytest.mark.usefixtures("quick")
def test_validate_says_how_far_it_is_and_json_stays_json(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said: list[str] = []

    def slow(*_: object) -> Section:
        wait_for(lambda: bool(said) or "groups of figures, 1 of 2" in capture())
        return Section((), ())

    def capture() -> str:
        said.append("x") if "groups of figures, 1 of 2" in (text := capsys.readouterr().err) else None
        return text

    monkeypatch.setattr(validate, "sections", lambda *_: {"7 rest": lambda: Section((), ()), "8 drop sets": slow})
    assert app.run(["validate", "--short", "--json", "--workers", "1"]) == 0
    assert json.loads(capsys.readouterr().out)["results"] == []
    assert said


STATE = {
    "version": 1,
    "state": "working",
    "repetitions": 4,
    "applied_n": [392.266],
    "target_n": [392.266],
}


def at(state: LiveState, t_s: float) -> None:
    state.take(Topic.STATE, json.dumps({**STATE, "t_host_us": int(t_s * 1e6)}).encode())


def drawn(state: LiveState) -> str:
    console = Console(width=100, file=io.StringIO(), record=True)
    console.print(picture(state))
    return console.export_text()


def test_the_live_view_shows_elapsed_time() -> None:
    state = LiveState()
    assert state.elapsed_s is None
    at(state, 100.0)
    at(state, 142.0)
    assert state.elapsed_s == 42.0
    assert "42 s" in drawn(state)


@pytest.mark.usefixtures("quick")
def test_the_live_view_of_a_pipe_is_a_line_now_and_then_that_keeps_what_is_blinded() -> None:
    state, stream = LiveState(), io.StringIO()
    at(state, 1.0)
    with on_screen(state, Console(file=stream)):
        wait_for(lambda: "working, 0 repetitions" in stream.getvalue())
    mark = Mark("0" * 64, "p01", 1, frozenset({"load", "repetitions"}))
    blind = LiveState.of(Prescription.model_validate({**tomllib.loads(ROW), "notes": mark.text()}))
    at(blind, 1.0)
    assert in_a_line(blind) == "under way"
