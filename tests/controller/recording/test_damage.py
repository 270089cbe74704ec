"""What kind of incomplete a recording is: still being written, cut, or damaged before its end; each has its verdict."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.controller.recording.reader import describe_missing, parse_recording, read_recording
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.controller.recording.writer import Recorder, RecordingWriter
from tests.support.kinematic_rig import POLICIES
from tests.support.served import until
from tests.support.sessions import Pair

CHUNK_INPUTS = 40


def written(pairs: list[Pair], *, finish: bool = True, left_out: range = range(0)) -> bytes:
    """A recording in chunks of a few inputs, as a service flushes them."""
    stream = io.BytesIO()
    writer = RecordingWriter(stream, {})
    for index, (event, outputs) in enumerate(pairs):
        if index not in left_out:
            writer.add(event, outputs, index)
        if index % CHUNK_INPUTS == CHUNK_INPUTS - 1:
            writer.flush()
    writer.flush()
    if finish:
        writer.finish({})
    return stream.getvalue()


def spoilt(data: bytes, share: float) -> bytes:
    at = int(share * len(data))
    return data[:at] + bytes(255 - byte for byte in data[at : at + 64]) + data[at + 64 :]


def verdict(data: bytes) -> Verdict:
    return replay(parse_recording(data), POLICIES).verdict


@pytest.mark.parametrize("finish", [True, False])
@pytest.mark.parametrize("share", [0.15, 0.3, 0.6, 0.9])
def test_damage_in_the_middle_is_called_that(session: list[Pair], share: float, finish: bool) -> None:
    data = written(session, finish=False)
    end = written(session)[len(data) :] if finish else b""
    report = replay(parse_recording(spoilt(data, share) + end), POLICIES)
    assert report.verdict is Verdict.DAMAGED
    assert not report.reproduced
    assert report.notes


def test_damage_to_what_only_describes_the_messages_takes_nothing(session: list[Pair]) -> None:
    """The first part of a file holds schemas, which the reader does without."""
    for finish, expected in ((True, Verdict.SAME), (False, Verdict.SAME_AS_FAR_AS_RECORDED)):
        data = written(session, finish=finish)
        assert verdict(spoilt(data, data.index(b"jsonschema", 10_000) / len(data))) is expected


def test_inputs_that_a_slow_disk_lost_are_a_gap_too(session: list[Pair]) -> None:
    assert verdict(written(session, left_out=range(100, 110))) is Verdict.DAMAGED
    assert verdict(written(session, left_out=range(100, 110), finish=False)) is Verdict.DAMAGED


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.9, 0.99])
@pytest.mark.parametrize("zeros", [0, 4_096])
def test_a_cut_tail_is_no_damage(session: list[Pair], share: float, zeros: int) -> None:
    data = written(session, finish=False)
    found = parse_recording(data[: int(share * len(data))])
    assert found.only_cut
    assert replay(found, POLICIES).verdict is Verdict.SAME_AS_FAR_AS_RECORDED
    if zeros:
        whole_chunks = data + bytes(zeros)
        assert verdict(whole_chunks) is Verdict.SAME_AS_FAR_AS_RECORDED


def test_a_whole_recording_is_the_same(session: list[Pair]) -> None:
    assert verdict(written(session)) is Verdict.SAME


def test_the_command_has_an_exit_code_for_each(
    session: list[Pair], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole, cut, damaged = (tmp_path / f"{name}.mcap" for name in ("whole", "cut", "damaged"))
    whole.write_bytes(written(session))
    cut.write_bytes(written(session, finish=False)[:-100])
    damaged.write_bytes(spoilt(written(session), 0.15))
    assert run(["replay", str(whole), str(cut)]) == Exit.OK
    assert "as far as the recording goes" in capsys.readouterr().out
    assert run(["replay", str(whole), str(damaged)]) == Exit.DAMAGED
    said = capsys.readouterr().out
    assert f"{damaged}: damaged" in said
    assert f" of {len(parse_recording(damaged.read_bytes()).handled)} inputs" in said
    assert run(["replay", "--json", str(damaged)]) == Exit.DAMAGED
    (told,) = json.loads(capsys.readouterr().out)
    assert (told["verdict"], told["reproduced"]) == ("damaged", False)
    assert told["inputs"] < told["inputs_recorded"]


async def test_a_recording_that_is_still_being_written_is_called_that(
    session: list[Pair], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "live.mcap"
    recorder = Recorder(path, {}, flush_interval_s=0.01)
    for event, outputs in session:
        recorder.record(event, outputs)
    await until(lambda: recorder.size_bytes > 100_000 and len(read_recording(path).handled) == len(session))
    found = read_recording(path)
    assert found.being_written
    (said,) = describe_missing(found)
    assert said == f"the recording is still being written: it holds what was handled before input {len(session)}"
    assert replay(found, POLICIES).verdict is Verdict.SAME_AS_FAR_AS_RECORDED
    assert run(["report", "--no-page", str(path)]) == Exit.OK
    assert "still being written" in capsys.readouterr().out
    assert run(["replay", str(path)]) == Exit.OK
    assert "still being written" in capsys.readouterr().out
    recorder.close()
    done = read_recording(path)
    assert not done.being_written
    assert done.whole
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(path.read_bytes()[:-1_000])
    assert not read_recording(cut).being_written
