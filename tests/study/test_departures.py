"""Each fault of a study is told: dates at the site, sessions done twice, another load or history; and nothing else."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract.prescription import Prescription
from ebbset.study.departures import departures_of, remarks_on
from ebbset.study.design import StudyFile
from ebbset.study.fidelity import fidelity_of
from ebbset.study.rehearsal import rehearse
from ebbset.study.study_file import Study, study_of

AUCKLAND = ZoneInfo("Pacific/Auckland")
ORDER = Prescription.model_validate(
    {
        "name": "Two",
        "exercise": "bench_press",
        "load": {"start_n": 300.0, "floor_n": 150.0},
        "bouts": [{"repetitions": 2, "on_stall": "end"}],
    }
)
FILE = {
    "name": "Invented",
    "seed": 3,
    "design": "crossover",
    "start": "2026-12-07",
    "washout_days": 3,
    "reference_one_rm_n": 500.0,
    "time_zone": "Pacific/Auckland",
    "conditions": [{"code": c, "label": f"arm {c}", "prescription": "x.toml"} for c in "AB"],
    "participants": [{"id": "p01", "one_rm_n": 450.0}, {"id": "p02", "one_rm_n": 550.0}],
}


def made(**changes: object) -> Study:
    other = ORDER.model_copy(update={"load": ORDER.load.model_copy(update={"start_n": 250.0})})
    return study_of(StudyFile.model_validate({**FILE, **changes}), {"A": ORDER, "B": other})


@pytest.fixture(scope="module")
def study() -> Study:
    return made()


@pytest.fixture(scope="module")
def sets(study: Study, tmp_path_factory: pytest.TempPathFactory) -> dict[str, RecordedSet]:
    files = rehearse(study, tmp_path_factory.mktemp("recordings"), seed=2)
    return {path.stem: read_source(path).sets[0] for path in files}


def at(item: RecordedSet, *when: int, zone: datetime.tzinfo | None = AUCKLAND) -> RecordedSet:
    return replace(item, begun_at=datetime.datetime(*when, tzinfo=zone))  # type: ignore[misc,arg-type]


def told(study: Study, sets: dict[str, RecordedSet], **changed: RecordedSet | None) -> list[str]:
    there = {**sets, **{name.replace("_", "-"): item for name, item in changed.items()}}
    kept = [item for item in there.values() if item is not None]
    return [*(text for item in kept for text in fidelity_of(item, study).departures), *departures_of(kept, study)]


def test_a_faithful_study_tells_nothing(study: Study, sets: dict[str, RecordedSet]) -> None:
    assert told(study, sets) == []
    assert remarks_on(list(sets.values()), study) == []


@pytest.mark.parametrize("reader", ["UTC", "America/New_York", "Pacific/Auckland", "Pacific/Kiritimati"])
@pytest.mark.parametrize("hour", [0, 7, 12, 23])
def test_dates_are_those_of_the_site_wherever_they_are_read(
    study: Study, sets: dict[str, RecordedSet], reader: str, hour: int
) -> None:
    """Sessions in Auckland at any hour of their day, as recordings read by somebody elsewhere hold them."""
    zone = ZoneInfo(reader)
    elsewhere = {
        name: replace(item, begun_at=datetime.datetime(2026, 12, day, hour, 30, tzinfo=AUCKLAND).astimezone(zone))
        for name, item in sets.items()
        for day in [7 if name.endswith("01") else 10]
    }
    assert told(study, elsewhere) == []


def test_a_clock_without_a_zone_is_the_clock_of_the_site(study: Study, sets: dict[str, RecordedSet]) -> None:
    assert told(study, sets, p01_01=at(sets["p01-01"], 2026, 12, 7, 0, 5, zone=None)) == []


def test_the_washout_counts_days_of_the_calendar(study: Study, sets: dict[str, RecordedSet]) -> None:
    """On the 7th and the 9th is two days, not three, whatever the hours."""
    early, late = at(sets["p01-01"], 2026, 12, 7, 6), at(sets["p01-02"], 2026, 12, 9, 23)
    assert told(study, sets, p01_01=early, p01_02=late) == [
        "done on 2026-12-09, before its earliest day 2026-12-10",
        "participant p01, session 2: on 2026-12-09, 2 days after session 1 on 2026-12-07; at least 3 required",
    ]
    # 59 hours may be three days.
    late, early = at(sets["p01-01"], 2026, 12, 7, 22), at(sets["p01-02"], 2026, 12, 10, 9)
    assert told(study, sets, p01_01=late, p01_02=early) == []


def test_two_sessions_within_half_an_hour_do_not_keep_a_washout_of_a_day(sets: dict[str, RecordedSet]) -> None:
    study = made(washout_days=1)
    moved = {name: relabelled(item, study, name) for name, item in sets.items()}
    first, second = at(moved["p01-01"], 2026, 12, 8, 10), at(moved["p01-02"], 2026, 12, 8, 10, 30)
    assert told(study, moved, p01_01=first, p01_02=second) == [
        "participant p01, session 2: on 2026-12-08, 0 days after session 1 on 2026-12-08; at least 1 required"
    ]


def test_the_wrong_way_round_is_told(study: Study, sets: dict[str, RecordedSet]) -> None:
    first, second = at(sets["p01-01"], 2026, 12, 20, 10), at(sets["p01-02"], 2026, 12, 16, 10)
    assert told(study, sets, p01_01=first, p01_02=second) == [
        "participant p01, session 2: on 2026-12-16, before session 1 on 2026-12-20"
    ]


def test_a_missing_session_does_not_hide_the_washout_across_it() -> None:
    study = made(blocks=2)
    assert len(study.schedule) == 8
    # The other sessions are missing; that is told too.
    assert [text for text in departures_of([], study) if "p02" in text] == [
        f"participant p02, session {k}: no recording" for k in (1, 2, 3, 4)
    ]


def relabelled(item: RecordedSet, study: Study, name: str) -> RecordedSet:
    session = study.session(name[:3], int(name[-2:]))
    assert session is not None
    return replace(item, prescription=study.order_of(session))


def test_a_session_done_twice_is_told(study: Study, sets: dict[str, RecordedSet]) -> None:
    again = replace(sets["p02-01"], nonce="another-nonce-1", source="again.mcap")
    assert told(study, sets, again=again) == ["participant p02, session 1: done twice, in p02-01.mcap and again.mcap"]


def test_a_set_that_was_only_armed_is_no_session(study: Study, sets: dict[str, RecordedSet]) -> None:
    armed = replace(sets["p02-01"], nonce="another-nonce-2", source="armed.mcap", steps=(), result=None)
    assert told(study, sets, armed=armed) == []
    assert remarks_on([armed], study) == [
        "armed.mcap: armed for session 1 of p02, but no load came on; it counts as no session"
    ]
    assert told(study, sets, p02_01=armed) == ["participant p02, session 1: no recording"]


def test_a_load_armed_in_place_of_the_sessions_is_told_in_newtons(study: Study, sets: dict[str, RecordedSet]) -> None:
    """Armed and applied 20 N heavier: it is the schedule's prescription that counts, not the one armed."""
    item = sets["p01-01"]
    load = item.prescription.load
    armed = item.prescription.model_copy(update={"load": load.model_copy(update={"start_n": load.start_n + 20.0})})
    heavier = replace(
        item,
        prescription=armed,
        steps=tuple(
            replace(step, target_n=tuple(n + 20.0 if n else 0.0 for n in step.target_n)) for step in item.steps
        ),
    )
    found = fidelity_of(heavier, study)
    assert found.departures == (
        f"the prescription was changed: load.start_n was {load.start_n + 20.0} instead of {load.start_n}",
    )
    commanded = next(one for one in found.deviations if one.what == "start load commanded")
    assert commanded.deviation == pytest.approx(20.0)
    # Without the study file, the digest that the recording holds tells that it is not what was written.
    assert fidelity_of(heavier, None).departures == (
        "the prescription was changed after it was written for this session",
    )
    assert fidelity_of(item, None).departures == ()


def test_a_session_whose_hiding_was_taken_out_is_told(study: Study, sets: dict[str, RecordedSet]) -> None:
    item = sets["p01-01"]
    shown = item.prescription.model_copy(update={"notes": item.prescription.notes.replace("condition", "")})
    assert fidelity_of(replace(item, prescription=shown), study).departures == (
        "the prescription was changed: its notes are not those that were written for this session",
    )


JOINED = {"date": "2026-12-12", "reason": "enrolled late", "add": [{"id": "p03", "one_rm_n": 500.0}]}
LEFT = {"date": "2026-12-09", "reason": "moved away", "withdraw": ["p01"]}


def test_amendments_are_remarks_and_no_departures(sets: dict[str, RecordedSet]) -> None:
    study = made(amendments=[LEFT, JOINED])
    assert told(study, sets, p01_02=None) == [f"participant p03, session {k}: no recording" for k in (1, 2)]
    assert remarks_on([sets["p01-01"]], study) == [
        "amendment 1 of 2026-12-09: p01 withdrew with 1 of 2 sessions recorded (moved away)",
        "amendment 2 of 2026-12-12: p03 joined (enrolled late)",
    ]


def test_a_session_after_the_withdrawal_is_told(sets: dict[str, RecordedSet]) -> None:
    study = made(amendments=[LEFT])
    assert told(study, sets) == ["done on 2026-12-10, after p01 withdrew on 2026-12-09"]


@pytest.mark.parametrize(
    ("before", "now", "expected"),
    [
        ([JOINED], [], "made under amendment 1, of which this study file does not know; it has 0"),
        (
            [],
            [],
            None,
        ),
        ([{**JOINED, "reason": "another"}], [JOINED], "made from a study file with other amendments up to number 1"),
    ],
)
def test_each_recording_says_under_which_amendment_it_was_made(
    sets: dict[str, RecordedSet], before: list[object], now: list[object], expected: str | None
) -> None:
    written, judged = made(amendments=before), made(amendments=now)
    item = relabelled(sets["p01-01"], written, "p01-01")
    assert fidelity_of(item, judged).departures == (() if expected is None else (expected,))


def test_other_participants_at_registration_are_told(sets: dict[str, RecordedSet]) -> None:
    study = made(participants=[*FILE["participants"], {"id": "p03", "one_rm_n": 400.0}])  # type: ignore[misc]
    assert fidelity_of(sets["p01-01"], study).departures == (
        "made from a study file with other participants registered at first",
    )


def test_somebody_who_had_not_joined_yet_is_told(sets: dict[str, RecordedSet]) -> None:
    study = made(amendments=[JOINED])
    session = study.session("p03", 1)
    assert session is not None
    item = replace(at(sets["p01-01"], 2026, 12, 13, 10), prescription=study.order_of(session, amendment=0))
    assert "p03 joined with amendment 1, but it was made under amendment 0" in fidelity_of(item, study).departures


def test_a_recording_without_a_date_is_told(study: Study, sets: dict[str, RecordedSet]) -> None:
    assert told(study, sets, p01_01=replace(sets["p01-01"], begun_at=None)) == [
        "the recording does not say when it was, so its day and the washout cannot be judged"
    ]


def test_an_older_file_may_name_its_zone_and_says_so_where_it_does_not(tmp_path: Path) -> None:
    """A study that began with version 1, recorded in Auckland at ten: in UTC that is the day before."""
    old = made(version=1, time_zone=None)
    named = made(version=1)
    assert old.hash == named.hash
    files = list(rehearse(named, tmp_path, seed=2))
    sets = {path.stem: read_source(path).sets[0] for path in files}
    assert told(named, sets) == []
    assert remarks_on([], named) == []
    assert len(told(old, sets)) == 4
    assert remarks_on([], old) == [
        "the study file names no time zone, so dates are those of UTC; name the site's with time_zone"
    ]
