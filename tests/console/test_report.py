"""A report holds what was recorded: whole recordings and damaged ones, with frames or without, one cable or two."""

from __future__ import annotations

import datetime
import json
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from ebbset.console import app
from ebbset.console.report.page import render
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.messages.events import Samples
from ebbset.controller.recording.recorded_set import RecordedSet, recorded_sets
from ebbset.controller.recording.sources import Source, read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.reports import MADE_AT, ORDER, PROFILE, PageReader, write_recording
from tests.support.sessions import Tap
from tests.support.summary_rig import SummaryRig


def test_the_trace_is_the_recorded_samples_on_a_clock_that_begins_with_the_load(
    item: RecordedSet, recording: Path
) -> None:
    from ebbset.controller.recording.reader import read_recording

    handled = read_recording(recording).handled
    frames = [h.event for h in handled if isinstance(h.event, Samples)]
    armed = next(k for k, h in enumerate(handled) if any(type(o).__name__ == "SendArm" for o in h.outputs))
    after = [h.event for h in handled[armed:] if isinstance(h.event, Samples)]
    assert 0 < item.trace.t_s.size <= 5 * len(after) <= 5 * len(frames)
    assert np.all(np.diff(item.trace.t_s) > 0)
    velocities = {v for frame in after for v in frame.velocity_m_s[0] or ()}
    assert set(item.trace.velocity_m_s[:, 0].tolist()) <= velocities
    first = item.steps[0]
    assert first.t_s == 0.0
    assert list(first.target_n) == [pytest.approx(84 * 9.80665)]
    # A load that is held is one step, however often it is renewed.
    assert all(a.target_n != b.target_n for a, b in pairwise(item.steps))


def test_every_output_of_the_set_is_in_the_record(item: RecordedSet) -> None:
    assert item.result is not None
    completed = [r for r in item.repetitions if r.outcome.value == "completed"]
    assert len(completed) == item.result.repetitions > 5
    drops = [m for m in item.moments if m.decision.action == "drop"]
    assert len(drops) == item.result.drops >= 1
    assert all(m.is_stall for m in drops)
    assert [m.t_s for m in item.moments] == sorted(m.t_s for m in item.moments)
    assert item.lifter == "heron"
    assert item.begun_at is not None
    assert item.begun_at.astimezone(datetime.UTC).date() == datetime.date(2026, 11, 25)


def test_fresh_capacity_is_what_the_core_used(item: RecordedSet) -> None:
    """The budget decision names the fresh capacity; the report derives it from the records alone."""
    end = item.moments[-1].decision
    told = dict(end.inputs)
    if "fresh_capacity_n" not in told:
        pytest.fail(f"the set ended by {end.reason}; this test needs one that ends by its budget")
    assert item.fresh_n() == pytest.approx(told["fresh_capacity_n"], rel=0.03)


def test_several_days_give_a_course_in_order(recording: Path, tmp_path: Path) -> None:
    earlier = write_recording(tmp_path / "z.mcap", "2026-11-18T18:00:00+00:00", seed=2)
    target = tmp_path / "both.html"
    assert app.run(["report", str(recording), str(earlier), "--page", str(target)]) == 0
    text = target.read_text(encoding="utf-8")
    assert "The course" in text
    dates = [row[0] for row in next(t for t in PageReader(text).tables if t[0][0] == "date")[1:]]
    assert dates == sorted(dates)
    assert dates[0].startswith("2026-11-18")
    assert text.index('id="set1"') < text.index('id="set2"')
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_a_recording_cut_short_is_shown_as_far_as_it_goes(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = recording.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: len(data) * 6 // 10])
    assert app.run(["report", str(cut)]) == 0
    out = capsys.readouterr().out
    assert "the recording has no end" in out
    page = cut.with_suffix(".html").read_text(encoding="utf-8")
    assert "The recording ends before the set did." in page


def test_files_without_a_set_are_distinguished(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    nothing = tmp_path / "nothing.mcap"
    nothing.write_bytes(b"not a recording at all")
    assert app.run(["report", str(nothing)]) == 3
    idle = tmp_path / "idle.mcap"
    with idle.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north"})
        writer.finish({})
    assert app.run(["report", str(idle)]) == 1
    assert "no set was armed" in capsys.readouterr().err


def test_both_sides_of_two_cables_are_shown(tmp_path: Path) -> None:
    path = write_recording(tmp_path / "two.mcap", "2026-11-25T18:00:00+00:00", cables=2)
    source = read_source(path)
    assert source.sets[0].trace.cables == 2
    page = PageReader(render([source], made_at=MADE_AT))
    table = next(t for t in page.tables if "outcome" in t[0])
    sides = [row[1] for row in table[1:]]
    assert set(sides) == {"left", "right"}
    assert sides.count("left") == sum(r.cable == 0 for r in source.sets[0].repetitions)


def _summaries_only() -> RecordedSet:
    """Three repetitions and one that failed, from a rig that sends no frames; acks are its sign of life."""
    rig = SummaryRig(Prescription.model_validate(ORDER), profile=LifterProfile.model_validate(PROFILE))
    tap = Tap(rig.policies)
    rig.controller = tap
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.live(0.5, docked=True)
    rig.ask(RequestAction.START)
    rig.live(1.0, docked=True)
    for velocity_m_s in (0.9, 0.8, 0.7):
        rig.live(2.5, docked=False)
        rig.summary(RepetitionOutcome.COMPLETED, velocity_m_s)
    rig.live(2.5, docked=False)
    rig.summary(RepetitionOutcome.FAILED, 0.1)
    rig.live(1.0, docked=False)
    rig.ask(RequestAction.STOP)
    rig.live(3.0, docked=True)
    (item,) = recorded_sets(tap.pairs, source="summaries", simulated=False)
    return item


def test_a_rig_without_sample_frames_is_reported_too() -> None:
    item = _summaries_only()
    assert item.trace.t_s.size == 0
    assert [r.outcome.value for r in item.repetitions] == ["completed"] * 3 + ["failed"]
    # Repetitions ended 1.0 + 2.5 k seconds after the start, on the rig's clock and on ours.
    assert [end for _, end in item.repetition_spans_s] == pytest.approx([3.5, 6.0, 8.5, 11.0], abs=0.06)
    drop = next(m for m in item.moments if m.decision.action == "drop")
    # Between two acks, which come with every renewal, nobody knows the rig's clock better: a quarter of a lease.
    assert drop.t_s == pytest.approx(11.0, abs=0.6 / 4)
    page = render([Source(name="summaries", sets=[item])], made_at=MADE_AT)
    assert "reported_failure" in page
    assert "Simulated." not in page
    assert "nan" not in "".join(re.findall(r' [xyd]\d?="([^"]*)"', page))


def test_the_json_form_is_the_recording(recording: Path, item: RecordedSet, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["report", "--json", str(recording)]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert item.result is not None
    assert told["result"]["reason"] == item.result.reason.value
    assert [r["mean_velocity_m_s"] for r in told["repetitions"]] == [r.mean_velocity_m_s for r in item.repetitions]
    low, middle, high = told["worth_relative_estimated"]["total"]
    assert 0 < low < middle < high


def test_replay_tells_same_from_different(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ebbset.controller.recording.reader import read_recording

    assert app.run(["replay", str(recording)]) == 0
    assert "the same, every output of every input" in capsys.readouterr().out
    handled = read_recording(recording).handled
    changed = tmp_path / "changed.mcap"
    with changed.open("wb") as stream:
        writer = RecordingWriter(stream, {})
        for entry in handled:
            # One repetition is left out of the record; the controller will not leave it out.
            records = [o for o in entry.outputs if isinstance(o, RepetitionRecord) and o.index == 3]
            writer.add(entry.event, [o for o in entry.outputs if o not in records])
        writer.finish({})
    assert app.run(["replay", "--json", str(changed)]) == 1
    (told,) = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "different"
    assert told["difference"]["field"] == "number of outputs"
