"""``ebbset session``: files checked by field, a plan written, led through at a terminal, and reported."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from ebbset.coaching.sessions.journal import Journal, read_events
from ebbset.coaching.sessions.session_events import (
    Armed,
    Begun,
    SessionEnded,
    SessionEvent,
    SetBegun,
    SetEnded,
    Skipped,
)
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.app import cli
from ebbset.console.session_commands.session_screen import clock
from ebbset.console.session_home import journal_path, last_sets_of, plan_path
from ebbset.models.contract.profile import ProfileSet
from ebbset.models.contract.study_mark import Mark
from tests.support.brokers import Mosquitto
from tests.support.operators import PATIENCE_S, operator
from tests.support.served import hand_rig, serving, settings_for
from tests.support.session_plans import BEGAN_S, plan, row_profile, step, straight_set
from tests.support.sessions import PATIENT, PATIENT_STOP

SESSION = """
name = "Tuesday"
lifter = "a7"
minutes = 5
[[exercises]]
exercise = "row"
wish = "straight"
profile = "row.toml"
sets = 1
[exercises.limits]
max_repetitions = 12
"""


def run(*arguments: object) -> Any:
    return CliRunner().invoke(cli, [str(one) for one in arguments], standalone_mode=False)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    (tmp_path / "row.toml").write_text(row_profile().to_toml())
    (tmp_path / "tuesday.toml").write_text(SESSION)
    return tmp_path / "tuesday.toml"


def told(of: SessionPlanFile, home: Path, name: str = "tuesday", *events: SessionEvent) -> None:
    path = plan_path(home, name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(of.to_toml())
    journal = Journal.open(journal_path(home, name))
    for event in events:
        journal.append(event)
    journal.close()


def a_set(of: SessionPlanFile, number: int, at_s: float, **result: Any) -> list[SessionEvent]:
    nonce = f"nonce-{number:04d}"
    order = of.steps[number - 1].prescription
    return [
        Armed(at_s=at_s, step=number, nonce=nonce, operator="coach", order=order),
        SetBegun(at_s=at_s + 5.0, nonce=nonce),
        SetEnded(at_s=at_s + 45.0, nonce=nonce, reason="set_done", text="The set is done.", duration_s=40.0, **result),
    ]


ESTIMATED = {"repetitions": 9, "loss": 0.3, "one_rm_n": 640.0, "one_rm_low_n": 630.0, "one_rm_high_n": 650.0}


def done_session(home: Path) -> SessionPlanFile:
    of = plan(step(1, profile=row_profile()), step(2, profile=row_profile()), step(3, "curl"))
    events = [Begun(at_s=BEGAN_S, plan=of.digest()), *a_set(of, 1, BEGAN_S + 10.0, **ESTIMATED)]
    events += a_set(of, 2, BEGAN_S + 150.0, repetitions=7, drops=1)
    events += [Skipped(at_s=BEGAN_S + 210.0, step=3), SessionEnded(at_s=BEGAN_S + 211.0, because="every set is done")]
    told(of, home, "tuesday", *events)
    return of


def test_check_says_what_a_session_and_a_plan_order(written: Path, tmp_path: Path) -> None:
    found = run("session", "check", written)
    assert found.return_value == 0
    assert "row on rig1: straight sets, at most 1 set" in found.output
    assert "limit: max repetitions 12" in found.output
    planned = tmp_path / "made.plan.toml"
    planned.write_text(plan(step(1), step(2, "curl", rig="rig2")).to_toml())
    assert "2. curl, set 2 on rig2: rest 90 s, start 42.8 kg" in run("session", "check", planned).output


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("minutes = 5", "minutes = 0", "minutes is 0; allowed: a number of at least 0.5"),
        ('exercise = "row"', 'exercise = "curl"', "exercises[0].profile is 'row.toml'; allowed: a profile of 'curl'"),
        ('lifter = "a7"', 'lifter = "b2"', "allowed: a profile of 'b2', not of 'a7'"),
    ],
)
def test_check_tells_every_field_that_is_wrong(written: Path, old: str, new: str, says: str) -> None:
    written.write_text(SESSION.replace(old, new, 1))
    found = run("session", "check", written)
    assert found.return_value == 1
    assert says in found.output


def test_a_plan_is_written_with_its_limits_and_can_be_checked(written: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    found = run("session", "plan", written, "--home", home, "--twins", 2, "--workers", 1, "--json")
    assert found.return_value == 0, found.output
    shown = json.loads(found.stdout)
    assert shown["chosen"]
    assert all(one["broken_invariants"] == 0 for one in shown["sessions"])
    made = SessionPlanFile.from_toml(plan_path(home, "tuesday").read_text())
    assert [one.prescription.stop.max_repetitions for one in made.steps] == [12]
    assert made.why
    # What was begun is not planned anew under its feet.
    told(made, home, "tuesday", Begun(at_s=BEGAN_S, plan=made.digest()))
    assert "was begun already" in str(run("session", "plan", written, "--home", home).exception)


def test_a_profile_of_simulated_sets_is_not_planned_on_for_a_person(written: Path) -> None:
    made = row_profile().with_sets([ProfileSet(origin="simulated", date="2026-11-01")])
    (written.parent / "row.toml").write_text(made.to_toml())
    found = run("session", "plan", written)
    assert "exercises[0].profile is 'row.toml'; allowed: one of a person's sets" in str(found.exception)


def test_a_report_says_what_was_done_and_what_was_not(tmp_path: Path) -> None:
    done_session(tmp_path)
    found = run("session", "report", "tuesday", "--home", tmp_path)
    assert found.return_value == 0, found.exception
    assert "2 sets in 3.5 of 12 min, 2 of 3 planned; over: every set is done." in found.output
    assert "1RM of the day 65.3 kg (64.2 to 66.3 kg)" in found.output
    page = (tmp_path / "sessions" / "tuesday.html").read_text()
    assert "<title>Tuesday</title>" in page
    assert "The session&#39;s clock" in page or "The session&#x27;s clock" in page
    assert 'content="a7"' in page
    assert "<script" not in page
    shown = json.loads(run("session", "report", "tuesday", "--home", tmp_path, "--json").stdout)
    assert [one["state"] for one in shown["sets"]] == ["done", "done", "skipped"]
    assert shown["sets"][1]["rest_s"] == 100.0


def test_a_report_of_a_session_that_did_not_begin_and_of_none(tmp_path: Path) -> None:
    told(plan(), tmp_path)
    assert "0 sets in 0.0 of 12 min" in run("session", "report", "tuesday", "--home", tmp_path).output
    found = run("session", "report", "monday", "--home", tmp_path)
    assert "session is 'monday'; allowed: a plan's file, or one of tuesday" in str(found.exception)


def test_a_blinded_set_shows_no_figure_in_the_report(tmp_path: Path) -> None:
    mark = Mark(study="0" * 64, participant="a7", period=1, hide=frozenset({"load", "repetitions"})).text()
    of = plan(step(1, prescription=straight_set(notes=mark)))
    told(of, tmp_path, "tuesday", Begun(at_s=BEGAN_S, plan=of.digest()), *a_set(of, 1, BEGAN_S, **ESTIMATED))
    found = run("session", "report", "tuesday", "--home", tmp_path)
    assert found.return_value == 0
    page = (tmp_path / "sessions" / "tuesday.html").read_text()
    shown = run("session", "report", "tuesday", "--home", tmp_path, "--json").stdout
    for text in (found.output, page, shown):
        assert "42.8" not in text
        assert "640" not in text
        assert "65.3" not in text
        assert '"repetitions"' not in text


def test_what_the_last_sessions_taught_is_read_from_their_journals(tmp_path: Path) -> None:
    done_session(tmp_path)
    known, problems = last_sets_of(tmp_path, "a7")
    assert [(one.exercise, one.one_rm_n) for one in known] == [("row", 640.0)]
    assert problems == []
    assert last_sets_of(tmp_path, "b2") == ((), [])
    assert last_sets_of(tmp_path, "a7", but="tuesday") == ((), [])
    journal_path(tmp_path, "tuesday").write_text("{}\n")
    assert "tuesday.plan.toml is left out" in last_sets_of(tmp_path, "a7")[1][0]


def test_run_needs_a_terminal(tmp_path: Path) -> None:
    told(plan(), tmp_path)
    assert "allowed: a terminal, since a person arms" in str(
        run("session", "run", "tuesday", "--home", tmp_path).exception
    )


def test_the_clock_shows_zero_only_when_nothing_is_left() -> None:
    assert [clock(s) for s in (0.0, 0.2, 59.1, 65.0)] == ["0:00", "0:01", "1:00", "1:05"]


@pytest.mark.broker
async def test_a_person_at_a_terminal_is_led_through_a_set(broker: Mosquitto, tmp_path: Path) -> None:
    """Arm, read and confirm the cautions, start, and skip the rest of the session by the keys that the screen names."""
    rig = "terminal"
    stop = {**PATIENT_STOP, "max_repetitions": 1, "max_duration_s": 100.0}
    order = straight_set(start_n=200.0, stop=stop, safety=PATIENT)
    told(plan(step(1, rig=rig, prescription=order), step(2, rig=rig, prescription=order)), tmp_path)
    leader, follower = pty.openpty()
    shown = bytearray()
    loop = asyncio.get_running_loop()
    loop.add_reader(leader, lambda: shown.extend(os.read(leader, 65_536)))

    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as watching,
    ):
        await watching.until(lambda: len(watching.of("rig/frame")) > 3)
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-c",
            "import sys; from ebbset.console.entry import main; sys.exit(main())",
            *("session", "run", "tuesday", "--home", str(tmp_path), "--port", str(broker.port), "--operator", "coach"),
            stdin=follower,
            stdout=follower,
            stderr=follower,
            env={**os.environ, "COLUMNS": "100", "LINES": "40", "TERM": "xterm"},
        )

        async def sees(text: str) -> None:
            async with asyncio.timeout(PATIENCE_S):
                while text.encode() not in bytes(shown):
                    assert process.returncode is None, bytes(shown)
                    await asyncio.sleep(0.05)
            shown.clear()

        try:
            await sees("Next: row, set 1")
            os.write(leader, b"a")
            await sees("agreed to go on. [y/N]")
            os.write(leader, b"y\n")
            await sees("Armed. Nothing is on the cable")
            os.write(leader, b"s")
            await sees("At work")
            await sees("Rest:")
            os.write(leader, b"e")
            async with asyncio.timeout(PATIENCE_S):
                assert await process.wait() == 0
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
            loop.remove_reader(leader)
            os.close(leader)
            os.close(follower)
    events = read_events(journal_path(tmp_path, "tuesday"))
    assert [event.kind for event in events if event.kind not in ("rig_seen",)] == [
        "begun",
        "armed",
        "set_begun",
        "set_ended",
        "session_ended",
    ]
    arms = [m for m in watching.of("ops/request") if m["action"] == "arm"]
    assert [(m["operator"], m["cautions_shown"]) for m in arms] == [("coach", True)]
