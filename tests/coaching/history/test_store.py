"""What is in the store is what the recordings say, once, whoever writes it how often and in which order."""

from __future__ import annotations

import multiprocessing
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from ebbset.coaching.history.databases import PATIENCE_S, StoreError
from ebbset.coaching.history.rebuild import fill, history_files
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.worth import HARD_RESERVE, done_of
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.controller.recording.writer import Recorder
from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.history_site import person, record_set


def recorded(path: Path) -> RecordedSet:
    (item,) = read_source(path).sets
    return item


def test_a_set_is_told_as_its_recording_tells_it(store: HistoryStore, site: Path) -> None:
    path = site / "recordings" / "a7-2.mcap"
    added = store.add_recording(path)
    assert (added.sets, added.new, added.left_out) == (1, True, "")
    item = recorded(path)
    (row,) = store.sets_of("a7")
    assert row.nonce == item.nonce
    assert row.begun_at == item.begun_at
    assert (row.exercise, row.rig, row.recording) == ("row", "bench", "a7-2.mcap")
    assert item.result is not None
    assert (row.reason, row.ended_because) == (item.result.reason.value, item.ended_because)
    assert row.drops == item.result.drops > 2
    completed = [r for r in item.repetitions if r.outcome is RepetitionOutcome.COMPLETED]
    assert row.repetitions == len(completed) > 4
    done = done_of(item.repetitions, [moment.decision for moment in item.moments])
    hard = [
        r for r, left in zip(item.repetitions, done.reserve, strict=True) if r in completed and left <= HARD_RESERVE
    ]
    first = [r for r in hard if r.step == 0]
    assert row.hard_fresh == len(first) > 0
    assert row.hard_in_fatigue == len(hard) - len(first) > 0
    told = next(r for r in reversed(item.repetitions) if r.one_rm_n is not None)
    assert (row.one_rm_low_n, row.one_rm_n, row.one_rm_high_n) == (
        told.one_rm_low_n,
        told.one_rm_n,
        told.one_rm_high_n,
    )
    repetitions, decisions = store.repetitions_of(row.nonce), store.decisions_of(row.nonce)
    assert [r["outcome"] for r in repetitions] == [r.outcome.value for r in item.repetitions]
    assert [r["t_end_s"] for r in repetitions] == [end for _, end in item.repetition_spans_s]
    assert [d["reason"] for d in decisions] == [m.decision.reason.value for m in item.moments]


def test_adding_again_changes_nothing(store: HistoryStore, site: Path) -> None:
    files = history_files([site])
    first = fill(store, files)
    before = store.dump()
    assert first.recordings == len(before["recordings"]) == 7
    assert not any(store.add_recording(path).new for path in files.recordings)
    assert store.dump() == before
    assert fill(store, files, again=True).sets == first.sets
    assert store.dump() == before


def test_the_order_of_adding_does_not_matter_and_copies_count_once(
    store: HistoryStore, site: Path, tmp_path: Path
) -> None:
    """Of a set that several recordings hold, the fullest stays, by whatever name and whenever it comes."""
    cut = record_set(site / "recordings" / "cut.mcap", person("a7"), number=0, keep=0.6)
    shutil.copy(site / "recordings" / "a7-0.mcap", site / "recordings" / "zz.mcap")
    whole = recorded(site / "recordings" / "a7-0.mcap")
    assert recorded(cut).nonce == whole.nonce
    paths = history_files([site]).recordings
    for path in paths:
        store.add_recording(path)
    with HistoryStore.open(f"sqlite:///{tmp_path / 'other.sqlite'}") as other:
        for path in reversed(paths):
            other.add_recording(path)
        assert other.dump() == store.dump()
    (row,) = [row for row in store.sets_of("a7") if row.nonce == whole.nonce]
    assert (row.recording, row.reason) == ("a7-0.mcap", "floor_failed")
    assert len(store.repetitions_of(row.nonce)) == len(whole.repetitions) > len(recorded(cut).repetitions)


def test_what_is_no_recording_is_refused_and_what_is_being_written_is_left_out(
    store: HistoryStore, tmp_path: Path
) -> None:
    (tmp_path / "notes.mcap").write_text("notes")
    with pytest.raises(UnusableFileError, match=r"notes\.mcap"):
        store.add_recording(tmp_path / "notes.mcap")
    with pytest.raises(UnusableFileError, match="No such file"):
        store.add_recording(tmp_path / "none.mcap")
    recorder = Recorder(tmp_path / "now.mcap", {"rig": "north"})
    try:
        assert "still being written" in store.add_recording(tmp_path / "now.mcap").left_out
    finally:
        recorder.close()
    assert not any(store.dump().values())


def test_a_set_of_a_blinded_session_is_kept_and_not_shown(store: HistoryStore, site: Path) -> None:
    fill(store, history_files([site]))
    assert store.sets_of("p01") == ()
    assert store.blinded_sets_of("p01") == 1
    (row,) = store.sets_of("p01", blinded=True)
    assert row.blinded
    assert [one.lifter for one in store.lifters()] == ["a7", "b2", "p01"]


def test_sets_come_in_order_and_by_exercise_and_number(store: HistoryStore, site: Path) -> None:
    fill(store, history_files([site]))
    rows = store.sets_of("a7")
    assert [row.recording for row in rows] == [f"a7-{k}.mcap" for k in range(4)]
    assert store.sets_of("a7", newest=2) == rows[2:]
    assert store.sets_of("a7", "bench_press") == ()
    assert store.sets_of("nobody") == ()
    (entry,) = [one for one in store.lifters() if one.lifter == "a7"]
    assert (entry.sets, entry.sessions, entry.newest) == (4, 0, rows[-1].begun_at)


def _fill_from(url: str, paths: list[Path], together: Any) -> None:
    together.wait()
    with HistoryStore.open(url) as store:
        for path in paths:
            store.add_recording(path, again=True)


def test_two_programs_that_write_the_same_at_once_leave_the_same_rows(
    store_url: str, site: Path, tmp_path: Path
) -> None:
    """The store does not even exist when they begin, so they race to make it, too."""
    forking = multiprocessing.get_context("fork")
    together = forking.Barrier(2, timeout=4 * PATIENCE_S)
    paths = [site / "recordings" / f"{name}.mcap" for name in ("a7-0", "a7-1", "nobody")]
    orders = (paths * 2, paths[::-1] * 2)
    writers = [forking.Process(target=_fill_from, args=(store_url, order, together)) for order in orders]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(4 * PATIENCE_S)
    assert [writer.exitcode for writer in writers] == [0, 0]
    with HistoryStore.open(f"sqlite:///{tmp_path / 'alone.sqlite'}") as alone, HistoryStore.open(store_url) as store:
        for path in paths:
            alone.add_recording(path)
        assert store.dump() == alone.dump()
        store.check()


def test_readers_and_writers_of_one_program_do_not_meet_half_a_set(store: HistoryStore, site: Path) -> None:
    paths = [site / "recordings" / f"a7-{number}.mcap" for number in range(3)]
    done = threading.Event()

    def write(turn: int) -> None:
        for path in (*paths[turn:], *paths[:turn]):
            store.add_recording(path, again=True)

    def read() -> int:
        looks = 0
        while not done.is_set():
            looks += 1
            rows = store.sets_of("a7")
            assert len(rows) == len(paths)
            assert all(store.repetitions_of(row.nonce) for row in rows)
        return looks

    write(0)
    with ThreadPoolExecutor() as pool:
        reader = pool.submit(read)
        try:
            for writer in [pool.submit(write, turn) for turn in range(3)]:
                writer.result(4 * PATIENCE_S)
        finally:
            done.set()
        assert reader.result(PATIENCE_S) > 0


def test_a_write_that_breaks_off_leaves_nothing(
    store: HistoryStore, site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store, history_files([site]))
    before = store.dump()
    path = record_set(site / "recordings" / "new.mcap", person("new"), number=50)

    def fail(_item: RecordedSet) -> None:
        raise RuntimeError("power cut")

    monkeypatch.setattr("ebbset.coaching.history.writes.decision_rows", fail)
    with pytest.raises(RuntimeError):
        store.add_recording(path)
    assert store.dump() == before
    monkeypatch.undo()
    assert store.add_recording(path).new


def test_a_store_that_another_program_holds_is_waited_for_and_told_of(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ebbset.coaching.history.databases.PATIENCE_S", 0.05)
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    with HistoryStore.open(url) as store, HistoryStore.open(url) as other:
        from ebbset.coaching.history import databases

        with databases.writing(other.engine), pytest.raises(StoreError, match="another program has been writing"):
            store.add_recording(site / "recordings" / "b2-0.mcap")
        assert store.add_recording(site / "recordings" / "b2-0.mcap").new
