"""Every recording that a service can write gives a report, a row of a table and a verdict, however little it holds."""

from __future__ import annotations

import datetime
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from rich.text import Text

from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import picture
from ebbset.console.report.page import render
from ebbset.console.report.terminal_report import show
from ebbset.console.terminal import Terminal
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Event, LinkDown, LinkUp
from ebbset.controller.recording.recorded_set import recorded_sets
from ebbset.controller.recording.sources import read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.study.fidelity import fidelity_of, summary_of
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.sessions import Tap, auto_drop_order

STAGES = (
    "summaries only",
    "armed",
    "released",
    "stopped",
    "stopped at once",
    "never taken",
    "no frames",
    "one repetition",
)


def short_set(
    stage: str, cables: int, rig_of: type[KinematicRig] = KinematicRig
) -> list[tuple[Event, tuple[Output, ...]]]:
    """A set that ends early, or a recording that does."""
    order = auto_drop_order(stop={"max_start_wait_s": 2.0})
    rig = rig_of(order, cables=cables, profile=profile_of())
    tap = Tap(rig.policies)
    rig.controller = tap
    rig.online()
    rig.ask(RequestAction.ARM)
    if stage == "summaries only":
        summaries = rig_of(order, cables=cables, profile=profile_of())
        tap = Tap(rig.policies)
        summaries.controller = tap
        summaries.send(LinkUp(now_us=summaries.now_us))
        summaries.send(summaries.identity(telemetry="repetitions"))
        summaries.ask(RequestAction.ARM)
        summaries.ask(RequestAction.START, now_us=summaries.now_us + 20_000)
        summaries.ask(RequestAction.STOP, now_us=summaries.now_us + 40_000)
        return tap.pairs
    if stage == "no frames":
        rig.send(LinkDown(now_us=rig.now_us + 1))
        return tap.pairs
    rig.run(0.3)
    if stage == "armed":
        return tap.pairs
    if stage == "released":
        rig.ask(RequestAction.RELEASE)
    elif stage == "stopped":
        rig.ask(RequestAction.STOP)
    else:
        rig.ask(RequestAction.START)
        if stage == "never taken":
            rig.resting = True
            rig.run(6.0)
        elif stage == "one repetition":
            while not any(record.cable == cables - 1 for record in rig.repetitions()):
                rig.frame()
        rig.ask(RequestAction.STOP)
    rig.run(2.0)
    return tap.pairs


def written(path: Path, pairs: list[tuple[Event, tuple[Output, ...]]], *, finish: bool = True) -> Path:
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"wall_clock_at_zero": "2026-11-25T18:00:00+00:00", "rig": "north"})
        for event, outputs in pairs:
            writer.add(event, outputs)
        if finish:
            writer.finish({})
        else:
            writer.flush()
    return path


@pytest.mark.parametrize("cables", [1, 2])
@pytest.mark.parametrize("stage", STAGES)
def test_a_set_that_hardly_began_gives_a_report(
    stage: str, cables: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path / "a.mcap", short_set(stage, cables))
    (item,) = read_source(path).sets
    judged = fidelity_of(item, None)
    assert judged.departures == ()
    assert all(one.count == 1 for one in summary_of([judged]) if one.what.startswith("start load"))
    assert run(["report", str(path)]) == Exit.OK, capsys.readouterr().err
    assert "Auto-drop" in path.with_suffix(".html").read_text()
    assert run(["report", "--json", str(path)]) == Exit.OK
    assert run(["replay", str(path)]) == Exit.OK
    pytest.importorskip("pyarrow")
    assert run(["export", str(path), "-o", str(tmp_path / "tables")]) == Exit.OK
    assert len((tmp_path / "tables" / "sets.csv").read_text().splitlines()) == 2
    (tmp_path / "a.toml").write_text(profile_of().to_toml())
    capsys.readouterr()
    assert run(["profile", "--update", str(tmp_path / "a.toml"), str(path)]) == Exit.NO
    assert "nothing was learned" in capsys.readouterr().err
    code = run(["profile", "--lifter", "invented", "--exercise", "row", str(path)])
    assert code in (Exit.OK if stage == "one repetition" else Exit.USAGE, Exit.USAGE)
    assert "defect" not in capsys.readouterr().err


@pytest.mark.parametrize("stage", STAGES)
def test_two_short_sets_on_two_days_give_a_course(stage: str, tmp_path: Path) -> None:
    first = written(tmp_path / "a.mcap", short_set(stage, 1))
    second = tmp_path / "b.mcap"
    with second.open("wb") as stream:
        writer = RecordingWriter(stream, {"wall_clock_at_zero": "2026-11-26T18:00:00+00:00"})
        for event, outputs in short_set("one repetition", 1, Later):
            writer.add(event, outputs)
        writer.finish({})
    assert run(["report", str(first), str(second), "--page", str(tmp_path / "page.html")]) == Exit.OK


class Later(KinematicRig):
    """The same on another day, whose sets have other nonces."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.now_us += 7


@pytest.mark.parametrize("stage", STAGES)
def test_a_recording_cut_in_a_short_set_gives_a_report(stage: str, tmp_path: Path) -> None:
    path = written(tmp_path / "a.mcap", short_set(stage, 1), finish=False)
    whole = path.read_bytes()
    for part in (0.9, 0.97, 0.99, 1.0):
        path.write_bytes(whole[: int(part * len(whole))])
        assert run(["report", str(path)]) in (Exit.OK, Exit.NO)


def test_a_simulated_set_says_so_in_every_form(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    order = Prescription.model_validate(
        {"name": "One", "exercise": "row", "load": {"start_n": 200.0, "floor_n": 100.0}, "bouts": [{"repetitions": 1}]}
    )
    (tmp_path / "one.toml").write_text(order.to_toml())
    path = tmp_path / "one.mcap"
    assert run(["simulate", str(tmp_path / "one.toml"), "--json", "--record", str(path)]) == Exit.OK
    (said,) = json.loads(capsys.readouterr().out)
    assert said["simulated"] is True
    assert run(["report", "--json", str(path)]) == Exit.OK
    assert json.loads(capsys.readouterr().out)[0]["simulated"] is True
    assert read_source(path).sets[0].simulated


def test_no_set_can_be_arranged_without_saying_whether_it_is_simulated() -> None:
    with pytest.raises(TypeError, match="simulated"):
        recorded_sets(short_set("armed", 1), source="s")  # type: ignore[call-arg] # the point of the test


def test_a_terminal_shows_the_characters_of_others_and_obeys_none() -> None:
    stream = io.StringIO()
    console = Terminal(file=stream, width=60, force_terminal=True)
    console.print(Text("row \x1b[2J\u202e\x9b31mx", style="bold"))
    said = stream.getvalue()
    assert r"row \u001b[2J\u202e\u009b31mx" in said
    assert said.startswith("\x1b[1m"), "its own styles work"


def test_a_recording_without_a_set_is_told_from_one_that_is_broken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path / "idle.mcap", short_set("armed", 1)[:3])
    (tmp_path / "a.toml").write_text(profile_of().to_toml())
    assert read_source(path).sets == []
    assert run(["replay", str(path)]) == Exit.OK
    assert run(["report", str(path)]) == Exit.NO
    assert "no set was armed in it" in capsys.readouterr().err
    assert run(["profile", "--update", str(tmp_path / "a.toml"), str(path)]) == Exit.NO
    assert run(["profile", "--lifter", "a7", str(path)]) == Exit.USAGE
    assert "exercise is none" in capsys.readouterr().err
    assert run(["export", str(path), "-o", str(tmp_path / "tables")]) == Exit.OK


HARM = "\x1b[2J\x9b31m\u202e\u2066\x07"


def test_neither_report_nor_live_view_prints_characters_of_others_raw(tmp_path: Path) -> None:
    """A recording of an earlier version may hold such a name, and a rig may send such a text."""
    pairs = short_set("one repetition", 1)
    source = read_source(written(tmp_path / "a.mcap", pairs))
    (item,) = source.sets
    assert item.result is not None
    spoilt = replace(
        item,
        prescription=item.prescription.model_copy(update={"name": f"row{HARM}"}),
        result=replace(item.result, text=f"ended{HARM}"),
        moments=tuple(replace(m, decision=replace(m.decision, text=f"why{HARM}")) for m in item.moments),
    )
    stream = io.StringIO()
    show(spoilt, Terminal(file=stream, width=100))
    page = render([replace(source, name=f"a{HARM}", sets=[spoilt])], made_at=datetime.datetime(2026, 11, 25))
    state = LiveState(simulated=True)
    for _, outputs in pairs:
        for output in outputs:
            state.take(*codec.to_wire(output))
    assert state.report is not None
    state.report = state.report.model_copy(update={"prescription": f"row{HARM}"})
    state.decisions[-1] = state.decisions[-1].model_copy(update={"text": f"why{HARM}"})
    live = io.StringIO()
    Terminal(file=live, width=100).print(picture(state))
    for text in (stream.getvalue(), page, live.getvalue()):
        assert not set(HARM) - set("[2J31m") & set(text)
        assert r"\u202e" in text
