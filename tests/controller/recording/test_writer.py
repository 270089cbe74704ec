"""Recordings: whole, cut at every byte, changed at any byte, on a full disk, after a crash."""

from __future__ import annotations

import dataclasses
import io
import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from structlog.testing import capture_logs

from ebbset.controller.messages import codec
from ebbset.controller.messages.events import RigAnnounced, Tick
from ebbset.controller.recording.reader import (
    BadRecordingError,
    Handled,
    Recording,
    describe_missing,
    parse_recording,
    read_recording,
)
from ebbset.controller.recording.recorded_set import recorded_sets
from ebbset.controller.recording.writer import Recorder, RecordingWriter
from tests.support.operators import PATIENCE_S
from tests.support.sessions import Pair


def written(pairs: list[Pair], *, flush_every: int = 10, finish: bool = True) -> bytes:
    stream = io.BytesIO()
    writer = RecordingWriter(stream, {"rig": "bench"})
    for k, (event, outputs) in enumerate(pairs):
        writer.add(event, outputs)
        if k % flush_every == flush_every - 1:
            writer.flush()
    if finish:
        writer.finish({})
    return stream.getvalue()


def pairs_of(recording: Recording) -> list[Pair]:
    return [(item.event, item.outputs) for item in recording.handled]


def is_part_of(item: Handled, pairs: list[Pair]) -> bool:
    event, outputs = pairs[item.index]
    found = list(item.outputs)
    for output in outputs:
        if found and found[0] == output:
            found.pop(0)
    return item.event == event and not found


@pytest.fixture(scope="module")
def small(session: list[Pair]) -> list[Pair]:
    """The arming of a set, and the inputs around it."""
    return session[:16]


def test_a_whole_recording_reads_back_to_what_was_handled(session: list[Pair]) -> None:
    recording = parse_recording(written(session))
    assert pairs_of(recording) == session
    assert recording.whole
    assert recording.problems == ()
    assert recording.metadata == {"format": "1", "contract": "1.1", "judgement": "3", "rig": "bench"}
    assert describe_missing(recording) == ()


def test_the_mcap_library_reads_it_too_with_schemas_both_clocks_and_handled_order(session: list[Pair]) -> None:
    """Outside check: the reader of the `mcap` library, which checks every chunk's CRC."""
    reader = make_reader(io.BytesIO(written(session)), validate_crcs=True)
    summary = reader.get_summary()
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == sum(1 + len(outputs) for _, outputs in session)
    assert {schema.encoding for schema in summary.schemas.values()} == {"jsonschema"}
    order = []
    for _, channel, message in reader.iter_messages(log_time_order=False):
        if channel.topic.startswith("input/"):
            order.append(message.sequence)
            assert message.log_time == session[message.sequence][0].now_us * 1000
        if channel.topic == "input/samples":
            samples = codec.from_json("samples", message.data)
            assert message.publish_time == samples.t_us[-1] * 1000
    assert order == list(range(len(session)))


def test_a_rig_that_is_simulated_is_called_so_by_the_file_without_anybody_s_doing(session: list[Pair]) -> None:
    """In the metadata, where the `mcap` library finds it too, whole or cut; of a real rig nothing is said."""
    told = [
        (dataclasses.replace(event, simulated=True) if isinstance(event, RigAnnounced) else event, outputs)
        for event, outputs in session
    ]
    data = written(told)
    assert parse_recording(data).metadata == {
        "format": "1",
        "contract": "1.1",
        "judgement": "3",
        "rig": "bench",
        "simulated": "true",
    }
    assert parse_recording(data[: len(data) // 2]).metadata["simulated"] == "true"
    assert pairs_of(parse_recording(data)) == told
    said = {record.name: record.metadata for record in make_reader(io.BytesIO(data)).iter_metadata()}
    assert said["ebbset.simulated"]["simulated"] == "true"
    (item,) = recorded_sets(told, source="s", simulated=False)
    assert item.simulated

    real = written(session)
    assert "simulated" not in parse_recording(real).metadata
    assert {record.name for record in make_reader(io.BytesIO(real)).iter_metadata()} == {"ebbset.begin", "ebbset.end"}
    assert not recorded_sets(session, source="s", simulated=False)[0].simulated
    assert recorded_sets(session, source="s", simulated=True)[0].simulated


def test_cut_at_every_byte_it_gives_every_whole_message_before_the_cut(small: list[Pair]) -> None:
    data = written(small, flush_every=5)
    begins = len(written([], finish=False))
    first = data.find(codec.to_json(small[0][0])[:-1]) - 40
    recovered = []
    end = data.find(b"ebbset.end") + 40
    # Before the first message lie only the schemas, behind the end mark only the index.
    for length in [*range(begins, first, 101), *range(first, end), *range(end, len(data), 101), len(data)]:
        recording = parse_recording(data[:length])
        assert all(is_part_of(item, small) for item in recording.handled)
        assert [item.index for item in recording.handled] == list(range(len(recording.handled)))
        assert recording.finished or describe_missing(recording)
        recovered.append(len(recording.handled))
    assert recovered == sorted(recovered), "a longer piece never gives fewer messages"
    assert recovered[0] == 0
    assert recovered[-1] == len(small)
    # Not chunk by chunk: the messages of a cut chunk are there one by one.
    assert len(set(recovered)) == len(small) + 1


def test_with_any_byte_changed_it_gives_every_message_before_and_says_what_is_missing(small: list[Pair]) -> None:
    data = written(small, flush_every=5)
    places = [data.find(codec.to_json(event)[:-1]) for event, _ in small]
    assert all(place > 0 for place in places)
    end = data.find(b"ebbset.end") + 40
    for at in [
        *range(200),
        *range(200, places[0] - 60, 61),
        *range(places[0] - 60, end),
        *range(end, len(data), 61),
    ]:
        changed = bytearray(data)
        changed[at] ^= 0x41
        try:
            recording = parse_recording(bytes(changed))
        except BadRecordingError:
            pytest.fail(f"nothing read with byte {at} changed")
        assert all(is_part_of(item, small) for item in recording.handled), f"byte {at}"
        indices = {item.index for item in recording.handled}
        # Every input whose message lies before the changed byte must be there.
        whole_before = {k for k in range(len(small) - 1) if places[k + 1] <= at}
        assert whole_before <= indices, f"byte {at}"
        if len(indices) < len(small) or any(not item.whole for item in recording.handled):
            assert describe_missing(recording), f"byte {at}"
            assert not recording.whole


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=400), st.booleans())
def test_any_other_bytes_are_an_error_that_says_so(noise: bytes, magic: bool) -> None:
    with pytest.raises(BadRecordingError, match="contains no part of a recording"):
        parse_recording((b"\x89MCAP0\r\n" if magic else b"") + noise)


def test_several_changes_at_random_never_give_a_message_that_was_not_handled(session: list[Pair]) -> None:
    pairs = session[:300]
    data = written(pairs)
    rng = random.Random(7)
    for _ in range(40):
        changed = bytearray(data)
        for _ in range(rng.randint(1, 12)):
            changed[rng.randrange(len(changed))] = rng.randrange(256)
        try:
            recording = parse_recording(bytes(changed))
        except BadRecordingError:
            continue
        assert all(is_part_of(item, pairs) for item in recording.handled)


def test_the_recorder_writes_what_it_was_given_and_ends_the_file(tmp_path: Path, session: list[Pair]) -> None:
    path = tmp_path / "set.mcap"
    recorder = Recorder(path, {"rig": "bench"}, flush_interval_s=0.01)
    for event, outputs in session:
        recorder.record(event, outputs)
    recorder.close()
    assert recorder.failure is None
    assert recorder.lost == 0
    recording = read_recording(path)
    assert recording.whole
    assert pairs_of(recording) == session


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "set.mcap"
    path.write_bytes(b"precious")
    with pytest.raises(FileExistsError):
        Recorder(path, {})
    assert path.read_bytes() == b"precious"


def test_a_full_disk_is_reported_once_counted_and_disturbs_nothing(session: list[Pair]) -> None:
    """Linux's /dev/full answers every write with "no space left on device"."""
    logs: list[str] = []
    told = threading.Event()

    def hear(_logger: object, _level: str, entry: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        logs.append(entry["event"])
        told.set()
        raise structlog.DropEvent

    structlog.configure(processors=[hear])
    recorder = Recorder(Path("/dev/full"), {}, flush_interval_s=0.01)
    for event, outputs in session:
        recorder.record(event, outputs)
    assert told.wait(15)
    before = recorder.lost
    for event, outputs in session:
        recorder.record(event, outputs)
    recorder.close()
    assert recorder.failure is not None
    assert "No space left" in recorder.failure
    assert recorder.lost == before + len(session) == 2 * len(session)
    assert logs == ["recording_failed"]


def test_a_disk_that_fills_midway_leaves_every_message_before_that(tmp_path: Path, session: list[Pair]) -> None:
    """A file-size limit of the operating system stands in for the disk; the process ignores its signal."""
    path, whole = tmp_path / "set.mcap", tmp_path / "whole.mcap"
    whole.write_bytes(written(session))
    script = textwrap.dedent(
        """
        import resource, signal, sys, time
        from pathlib import Path
        from ebbset.controller.recording.writer import Recorder
        from ebbset.controller.recording.reader import read_recording
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        pairs = [(item.event, item.outputs) for item in read_recording(Path(sys.argv[2])).handled]
        resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, 120_000))
        recorder = Recorder(Path(sys.argv[1]), {}, flush_interval_s=0.01)
        for k, (event, outputs) in enumerate(pairs):
            size_bytes = recorder.size_bytes
            recorder.record(event, outputs)
            # Inputs come one by one, so that some were flushed when the disk is full.
            while k % 20 == 0 and recorder.size_bytes == size_bytes and recorder.failure is None:
                time.sleep(0.002)
        recorder.close()
        assert recorder.failure and "File too large" in recorder.failure, recorder.failure
        print(recorder.lost)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path), str(whole)],
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lost = int(done.stdout.splitlines()[-1])
    recording = read_recording(path)
    assert 0 < lost < len(session)
    assert not recording.whole
    assert describe_missing(recording)
    # What was not counted as lost is there; the chunk under way when the disk filled may add a little.
    assert len(recording.handled) >= len(session) - lost
    assert pairs_of(recording) == session[: len(recording.handled)]


def test_a_file_says_what_it_is_before_anything_is_recorded(tmp_path: Path) -> None:
    path = tmp_path / "set.mcap"
    recorder = Recorder(path, {"rig": "bench"}, flush_interval_s=3_600.0)
    deadline_s = time.monotonic() + PATIENCE_S
    while path.stat().st_size == 0 and time.monotonic() < deadline_s:
        time.sleep(0.002)
    copy = tmp_path / "as-it-stands.mcap"
    copy.write_bytes(path.read_bytes())
    recording = read_recording(copy)
    assert recording.metadata["rig"] == "bench"
    assert recording.handled == ()
    assert not recording.finished
    recorder.close()


def test_killed_without_warning_it_loses_at_most_half_a_second(tmp_path: Path) -> None:
    lost_us: list[int] = []
    # A busy machine may hold up the disk of one of them, but not of all.
    while len(lost_us) < 5 and min(lost_us, default=10**9) > 500_000:
        lost_us.append(microseconds_lost_by_a_kill(tmp_path / f"set-{len(lost_us)}.mcap"))
    assert min(lost_us) <= 500_000


def microseconds_lost_by_a_kill(path: Path) -> int:
    """Record ticks in a process, kill it, and read what is left; the time between the last tick there and the last."""
    script = textwrap.dedent(
        """
        import sys, time
        from pathlib import Path
        from ebbset.controller.messages.events import Tick
        from ebbset.controller.recording.writer import Recorder
        recorder = Recorder(Path(sys.argv[1]), {})
        begin = time.monotonic()
        while True:
            now_us = int((time.monotonic() - begin) * 1e6)
            recorder.record(Tick(now_us=now_us), ())
            print(now_us, flush=True)
            time.sleep(0.005)  # the rate of a controller's ticks
        """
    )
    process = subprocess.Popen([sys.executable, "-c", script, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        if int(line) > 1_500_000:
            break
    os.kill(process.pid, signal.SIGKILL)
    rest = process.stdout.read().split()
    process.wait(10)
    last_us = max(int(v) for v in [line, *rest])
    recording = read_recording(path)
    event = recording.handled[-1].event
    assert isinstance(event, Tick)
    assert not recording.finished
    assert [item.index for item in recording.handled] == list(range(len(recording.handled)))
    assert "the recording has no end" in describe_missing(recording)[-1]
    return last_us - event.now_us


def test_a_disk_slower_than_the_set_costs_messages_that_are_counted_not_memory(tmp_path: Path) -> None:
    path = tmp_path / "set.mcap"
    with capture_logs() as logs:
        recorder = Recorder(path, {}, flush_interval_s=0.5, max_pending=50)
        for k in range(80):
            recorder.record(Tick(now_us=k), ())
        recorder.close()
    assert recorder.lost == 30
    assert [entry["event"] for entry in logs] == ["recording_behind"]
    recording = read_recording(path)
    assert len(recording.handled) == 50
    assert recording.end["lost"] == "30"
    assert recording.missing == ((50, 79),)
    assert "inputs 50 to 79 are missing" in describe_missing(recording)
