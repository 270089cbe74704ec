"""A profile knows where its sets came from; a set counts once; nobody's set counts for somebody else."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path

import pytest

from ebbset.coaching.worth import estimated
from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.controller.messages.events import RigAnnounced
from ebbset.controller.recording.selection import contradiction, counted_once
from ebbset.controller.recording.sources import read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.profile import MOST_SETS, LifterProfile, ProfileSet
from ebbset.models.contract.study_mark import Mark
from ebbset.study.export import export
from ebbset.study.fidelity import fidelity_of
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.sessions import Tap, auto_drop_order

DAY = datetime.date(2026, 11, 25)


def mark(participant: str, period: int = 1) -> str:
    return Mark("0" * 64, participant, period, frozenset()).text()


def record(path: Path, *, lifter: str | None = None, notes: str = "", number: int = 0, simulated: bool = False) -> Path:
    """A set with some repetitions; ``number`` makes its nonce another's."""
    profile = None if lifter is None else profile_of().model_copy(update={"lifter": lifter})

    class Rig(KinematicRig):
        def identity(self, **changes: object) -> RigAnnounced:
            return super().identity(simulated=simulated, **changes)

    rig = Rig(auto_drop_order(notes=notes, load={"start_n": 300.0 + number, "floor_n": 120.0}), profile=profile)
    rig.now_us += number * 1_000
    rig.controller = tap = Tap(rig.policies)
    rig.begin()
    while len(rig.repetitions()) < 4:
        rig.frame()
    rig.ask(RequestAction.STOP)
    rig.run(2.0)
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north", "wall_clock_at_zero": f"{DAY}T12:00:00+00:00"})
        for event, outputs in tap.pairs:
            writer.add(event, outputs)
        writer.finish({})
    return path


def known_profile(path: Path, lifter: str = "a7") -> Path:
    path.write_text(profile_of().model_copy(update={"lifter": lifter}).to_toml())
    return path


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str]:
    code = run([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return code, captured.out + captured.err


# --- origin -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("simulated", [True, False])
def test_a_profile_keeps_the_origin_of_every_set(
    tmp_path: Path, simulated: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    recordings = [record(tmp_path / f"{k}.mcap", number=k, simulated=simulated) for k in range(2)]
    made = tmp_path / "a7.toml"
    assert run(["profile", "--lifter", "a7", *map(str, recordings), "-o", str(made)]) == Exit.OK
    profile = LifterProfile.from_toml(made.read_text())
    origin = "simulated" if simulated else "person"
    nonces = {read_source(path).sets[0].nonce for path in recordings}
    assert {(one.origin, one.date, one.nonce) for one in profile.sets} == {(origin, DAY, nonce) for nonce in nonces}
    assert profile.simulated is simulated
    later = record(tmp_path / "later.mcap", number=5, simulated=simulated)
    assert run(["profile", "--update", str(made), str(later), "-o", str(tmp_path / "b.toml"), "--json"]) == Exit.OK
    assert LifterProfile.from_toml((tmp_path / "b.toml").read_text()).sets[-1].origin == origin
    assert len(LifterProfile.from_toml((tmp_path / "b.toml").read_text()).sets) == 3
    capsys.readouterr()
    code, text = said(capsys, "check", made)
    assert code == Exit.OK
    assert ("says nothing about a person" in text) is simulated


def test_typed_sets_are_called_that(tmp_path: Path) -> None:
    made = tmp_path / "a7.toml"
    command = ["profile", "--lifter", "a7", "--exercise", "row", "--set", "30 kg 0.98", "--set", "50 kg 0.61"]
    assert run([*command, "-o", str(made)]) == Exit.OK
    profile = LifterProfile.from_toml(made.read_text())
    assert [one.origin for one in profile.sets] == ["typed", "typed"]
    assert not profile.simulated


def test_simulated_sets_and_those_of_a_person_are_not_mixed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    real = record(tmp_path / "real.mcap", number=1)
    simulated = record(tmp_path / "simulated.mcap", number=2, simulated=True)
    code, text = said(capsys, "profile", "--lifter", "a7", real, simulated)
    assert (code, "simulated.mcap: simulated, and real.mcap is not" in text) == (Exit.BAD_INPUT, True)
    code, text = said(capsys, "profile", "--lifter", "a7", simulated, "--set", "30 kg 0.98")
    assert (code, "come with simulated recordings" in text) == (Exit.BAD_INPUT, True)
    for first, second in ((real, simulated), (simulated, real)):
        made = tmp_path / "made.toml"
        assert run(["profile", "--lifter", "a7", str(first), "-o", str(made), "--overwrite"]) == Exit.OK
        code, text = said(capsys, "profile", "--update", made, second)
        assert code == Exit.BAD_INPUT
        assert f"{second.name}: a set is" in text
    code, text = said(capsys, "profile", "--update", known_profile(tmp_path / "by-hand.toml"), real, simulated)
    assert (code, "allowed: only simulated sets, or none" in text) == (Exit.BAD_INPUT, True)


def test_a_plan_on_a_simulated_profile_is_refused_unless_asked_for_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile = profile_of("bench_press").with_sets([ProfileSet(origin="simulated", date=DAY)])
    (tmp_path / "a7.toml").write_text(profile.to_toml())
    code, text = said(capsys, "plan", tmp_path / "a7.toml", "--minutes", "1", "--twins", "4")
    assert code == Exit.BAD_INPUT
    assert "made from simulated sets, so it says nothing about a person" in text
    assert "--simulated-profile" in text


def test_a_profile_forgets_the_oldest_sets_and_never_that_it_is_simulated() -> None:
    first = ProfileSet(origin="simulated", date=datetime.date(2020, 1, 1))
    many = [ProfileSet(origin="person", date=DAY + datetime.timedelta(days=k)) for k in range(MOST_SETS + 5)]
    profile = profile_of().with_sets([first, *many])
    assert LifterProfile.from_toml(profile.to_toml()) == profile
    assert len(profile.sets) == MOST_SETS
    assert profile.simulated
    assert profile.sets[-1].date == many[-1].date


# --- the same set twice -----------------------------------------------------------------------------------------


def test_the_same_recording_given_twice_counts_once_and_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = record(tmp_path / "one.mcap", lifter="a7", number=1)
    copy = Path(shutil.copy(one, tmp_path / "copy.mcap"))
    profile = known_profile(tmp_path / "a7.toml")
    told = "copy.mcap: holds the same set as one.mcap"
    for command in (["profile", "--update", str(profile)], ["profile", "--lifter", "a7"]):
        assert run([*command, str(one), "--json"]) == Exit.OK
        single = json.loads(capsys.readouterr().out)
        assert run([*command, str(one), str(copy), "--json"]) == Exit.OK
        double = json.loads(capsys.readouterr().out)
        assert any(told in remark for remark in double["remarks"])
        assert double["profile"] == single["profile"]
    code, text = said(capsys, "report", "--no-page", one, copy)
    assert code == Exit.OK
    assert told in text.replace("\n", " ")
    assert text.count("It ended because") == 1
    found = export([one, copy], tmp_path / "tables", estimate=estimated)
    assert found.rows["sets"] == 1
    assert found.notes == [
        f"copy.mcap: holds the same set as one.mcap (nonce {read_source(one).sets[0].nonce}); one.mcap is exported, as "
        "it came first"
    ]


def test_a_set_that_the_profile_was_made_from_does_not_count_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = record(tmp_path / "one.mcap", lifter="a7", number=1)
    first, second = tmp_path / "first.toml", tmp_path / "second.toml"
    known = known_profile(tmp_path / "a7.toml")
    assert run(["profile", "--update", str(known), str(one), "-o", str(first)]) == Exit.OK
    code, text = said(capsys, "profile", "--update", first, one, "-o", second)
    assert code == Exit.NO
    assert "the profile was already made from this set" in text
    assert not second.exists()


def test_of_two_copies_the_fuller_one_counts(tmp_path: Path) -> None:
    one = record(tmp_path / "one.mcap", lifter="a7")
    cut = tmp_path / "a-cut.mcap"
    cut.write_bytes(one.read_bytes()[: one.stat().st_size * 3 // 4])
    items = [*read_source(cut).sets, *read_source(one).sets]
    for order in (items, items[::-1]):
        kept, remarks = counted_once(order)
        assert [item.source for item in kept] == ["one.mcap"]
        assert len(remarks) == 1
        assert remarks[0].startswith("a-cut.mcap: holds the same set as one.mcap")


def test_simulated_sets_of_one_seed_are_told_apart(tmp_path: Path) -> None:
    order = {"name": "One", "exercise": "row", "bouts": [{"repetitions": 1}]}
    nonces = set()
    for start_n in (150.0, 200.0):
        path = tmp_path / f"{start_n:.0f}.toml"
        path.write_text(auto_drop_order(**order, load={"start_n": start_n, "floor_n": 100.0}).to_toml())
        assert run(["simulate", str(path), "--record", str(path.with_suffix(".mcap")), "--json"]) == Exit.OK
        nonces.add(read_source(path.with_suffix(".mcap")).sets[0].nonce)
    assert len(nonces) == 2


# --- whose set --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lifter", "notes"), [("p01", ""), (None, mark("p01")), ("a7", mark("p01")), ("p01", mark("a7"))]
)
def test_a_set_of_somebody_else_never_goes_into_a_profile(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], lifter: str | None, notes: str
) -> None:
    path = record(tmp_path / "set.mcap", lifter=lifter, notes=notes)
    for command in (["--update", str(known_profile(tmp_path / "a7.toml"))], ["--lifter", "a7"]):
        code, text = said(capsys, "profile", *command, path)
        assert code == Exit.BAD_INPUT
        assert "of 'p01'; allowed: sets of 'a7'" in text


def test_a_session_of_the_participant_goes_into_their_profile(tmp_path: Path) -> None:
    path = record(tmp_path / "set.mcap", notes=mark("a7"))
    assert run(["profile", "--update", str(known_profile(tmp_path / "a7.toml")), str(path)]) == Exit.OK
    assert run(["profile", "--lifter", "a7", str(path)]) == Exit.OK


def test_a_course_holds_one_person_only(tmp_path: Path) -> None:
    paths = [record(tmp_path / f"{k}.mcap", notes=mark(f"p{k % 2}", k + 1), number=k) for k in range(3)]
    page = tmp_path / "page.html"
    assert run(["report", *map(str, paths), "--page", str(page)]) == Exit.OK
    text = page.read_text()
    assert "2 sets of row, lifter p0." in text
    assert "1 other set of this report: not in it." in text
    assert run(["report", str(paths[0]), str(paths[1]), "--page", str(page)]) == Exit.OK
    assert "The course" not in page.read_text(), "one set of each of two people"
    nobody = [record(tmp_path / f"n{k}.mcap", number=10 + k) for k in range(2)]
    assert run(["report", *map(str, nobody), "--page", str(page)]) == Exit.OK
    assert "The course" not in page.read_text(), "nobody says that they are one person's"


def test_a_set_armed_with_the_profile_of_another_participant_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record(tmp_path / "set.mcap", lifter="a7", notes=mark("p01"))
    (item,) = read_source(path).sets
    assert item.person == "p01"
    sentence = contradiction(item)
    assert sentence is not None
    assert "a session of participant 'p01', armed with the profile of 'a7'" in sentence
    code, text = said(capsys, "report", "--no-page", path)
    assert code == Exit.OK
    assert "a session of participant 'p01'" in text.replace("\n", " ")
    assert export([path], tmp_path / "tables", estimate=estimated).notes == [sentence]
    assert fidelity_of(item, None).participant == "p01"
