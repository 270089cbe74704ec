"""Journals: what was appended is read again, a torn line is dropped and told, and two programs never lead one
session."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from ebbset.coaching.sessions.journal import Journal, JournalHeldError, JournalRead, is_led, read_events, read_journal
from ebbset.coaching.sessions.session_events import Begun, SessionEvent, SetEnded, Skipped
from ebbset.models.contract.problems import UnusableFileError
from tests.support.session_plans import BEGAN_S

EVENTS: tuple[SessionEvent, ...] = (
    Begun(at_s=BEGAN_S, plan="0" * 64),
    Skipped(at_s=BEGAN_S + 1.25, step=1),
    SetEnded(at_s=BEGAN_S + 2.0, nonce="nonce-one", reason="set_done", ended_n=(300.0,), loss=0.25),
)


def written(path: Path) -> Path:
    journal = Journal.open(path)
    for event in EVENTS:
        journal.append(event)
    journal.close()
    return path


def test_what_was_written_is_read_again(tmp_path: Path) -> None:
    path = written(tmp_path / "sessions" / "a.journal.jsonl")
    assert read_events(path) == EVENTS
    again = Journal.open(path)
    assert again.events == EVENTS
    assert again.torn == 0
    again.close()


def test_no_journal_holds_nothing(tmp_path: Path) -> None:
    assert read_events(tmp_path / "none") == ()


@pytest.mark.parametrize("left", [1, 20])
def test_a_torn_last_line_is_dropped_and_told_and_the_journal_goes_on(tmp_path: Path, left: int) -> None:
    path = written(tmp_path / "a.journal.jsonl")
    whole = path.read_bytes()
    last = whole.rstrip(b"\n").rfind(b"\n") + 1
    path.write_bytes(whole[: last + left])
    assert read_journal(path) == JournalRead(EVENTS[:2], left)
    journal = Journal.open(path)
    assert journal.torn == left
    journal.append(EVENTS[2])
    journal.close()
    assert read_events(path) == EVENTS


def test_a_line_that_is_no_record_names_its_number_and_field(tmp_path: Path) -> None:
    path = written(tmp_path / "a.journal.jsonl")
    path.write_bytes(b'{"kind":"skipped","at_s":1,"step":0}\n' + path.read_bytes())
    with pytest.raises(UnusableFileError, match=r"line 1: step is 0; allowed: a number of at least 1"):
        read_events(path)


def test_two_leaders_of_one_session_are_refused_and_readers_are_not(tmp_path: Path) -> None:
    path = written(tmp_path / "a.journal.jsonl")
    assert not is_led(path)
    journal = Journal.open(path)
    try:
        with pytest.raises(JournalHeldError, match="another program leads this session"):
            Journal.open(path)
        program = (
            "import sys; from pathlib import Path; from ebbset.coaching.sessions.journal import *; "
            "print(is_led(Path(sys.argv[1])), len(read_events(Path(sys.argv[1]))))"
        )
        told = subprocess.run([sys.executable, "-c", program, path], capture_output=True, text=True, check=True)
        assert told.stdout.split() == ["True", "3"]
    finally:
        journal.close()
    assert not is_led(path)
