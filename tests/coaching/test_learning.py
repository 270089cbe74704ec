"""What recorded sets change in a profile: the estimate of the set itself, towards the truth, in plain words."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ebbset.coaching.learning import learn
from ebbset.coaching.set_review import review_set
from ebbset.console.app import run
from ebbset.controller.messages.actions import Decision, RepetitionRecord
from ebbset.controller.recording.recorded_set import RecordedSet, recorded_sets
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters, strong_rig
from ebbset.simulators.population.strength_test import lift_once, one_rm_n

KIND = exercise("bench_press")
ONE_RM_N = one_rm_n(KIND.mean_lifter(), strong_rig(2_000.0))
DAY = datetime.date(2026, 11, 2)
TESTED = (0.45, 0.6, 0.75, 0.9)
"""Parts of 1RM at which the person's own line was tested, each lifted once."""
_VELOCITIES = [
    lift_once(KIND.mean_lifter(), strong_rig(2_000.0), part * ONE_RM_N).truth.records[0].mean_velocity_m_s
    for part in TESTED
]
SLOPE_M_S, V0_M_S = (float(value) for value in np.polyfit(TESTED, _VELOCITIES, 1))
HARD: dict[str, Any] = {
    "name": "Drops, rest, drops",
    "exercise": "bench_press",
    "load": {"start_n": round(0.86 * ONE_RM_N), "floor_n": 250.0},
    "stop": {"max_drops": 2, "max_duration_s": 120.0},
    "bouts": [
        {"on_stall": "drop", "repetitions": 9},
        {"on_stall": "end", "rest_before_s": 20.0, "load_n": round(0.6 * ONE_RM_N)},
    ],
}


def profile_with(one_rm_n: float, sd_n: float, **changes: object) -> LifterProfile:
    return LifterProfile.model_validate(
        {
            "lifter": "a7",
            "exercise": "bench_press",
            "date": DAY,
            "sets_used": 2,
            "one_rm_n": {"mean": one_rm_n, "sd": sd_n},
            "velocity_at_zero_m_s": {"mean": V0_M_S, "sd": 0.08},
            "velocity_at_1rm_m_s": {"mean": V0_M_S + SLOPE_M_S, "sd": 0.03},
        }
        | changes
    )


def write(
    path: Path, profile: LifterProfile | None, begun: str = "2026-11-09T18:00:00+00:00", **changes: object
) -> None:
    """One simulated set, recorded."""
    order = Prescription.model_validate(HARD | changes)
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"wall_clock_at_zero": begun, "ebbset": version("ebbset")})
        run_set(order, KIND.mean_lifter(), seed=3, profile=profile, recorder=writer.add)
        writer.finish({})


def recorded(profile: LifterProfile, *, cables: int = 1) -> RecordedSet:
    handled = []
    load = {"start_n": round(0.86 * ONE_RM_N / cables), "floor_n": 120.0}
    bouts = [HARD["bouts"][0], HARD["bouts"][1] | {"load_n": round(0.6 * ONE_RM_N / cables)}]
    run_set(
        Prescription.model_validate(HARD | {"load": load, "bouts": bouts}),
        KIND.mean_lifter(),
        RigParameters(n_cables=cables),
        seed=5,
        profile=profile,
        recorder=lambda event, outputs: handled.append((event, outputs)),
    )
    zero = datetime.datetime(2026, 11, 9, 18, tzinfo=datetime.UTC)
    (item,) = recorded_sets(handled, source="evening.mcap", simulated=False, clock_zero=zero)
    return item


@pytest.mark.parametrize("cables", [1, 2])
def test_a_set_gone_through_again_gives_the_estimates_of_the_set_bit_for_bit(cables: int) -> None:
    """With the profile that it was armed with, after every repetition, over drops, rest and a second bout."""
    profile = profile_with(0.9 * ONE_RM_N / cables, 0.1 * ONE_RM_N / cables)
    item = recorded(profile, cables=cables)
    actions = [out.action for _, out in item.outputs if isinstance(out, Decision)]
    assert {"drop", "rest"} <= set(actions)
    records = 0
    for k, (_, output) in enumerate(item.outputs):
        if isinstance(output, RepetitionRecord):
            again = review_set(item.outputs[: k + 1], prescription=item.prescription, profile=profile)
            assert again[output.cable].capacity_n == output.capacity_n
            assert again[output.cable].capacity_sd_n == output.capacity_sd_n
            assert again[output.cable].budget_sd == output.budget_sd
            records += 1
    assert records >= 10 * cables
    assert {record.bout for record in item.repetitions} == {0, 1}
    assert any(record.load_changed for record in item.repetitions)


def test_a_doubtful_profile_comes_nearer_to_the_truth_and_gets_surer() -> None:
    """The truth is the simulator's: the greatest load that this person lifts once."""
    for part in (0.88, 1.12):
        profile = profile_with(part * ONE_RM_N, 0.12 * ONE_RM_N)
        learned = learn(profile, [recorded(profile)], today=datetime.date(2026, 11, 10))
        found = learned.after.one_rm_n
        assert found is not None
        assert abs(found.mean - ONE_RM_N) < 0.5 * abs(part - 1.0) * ONE_RM_N
        assert found.sd < 0.6 * 0.12 * ONE_RM_N
        assert (learned.after.date, learned.after.sets_used) == (datetime.date(2026, 11, 9), 3)
        assert not learned.stale
        assert learned.before == profile


def test_a_profile_that_does_not_fit_is_called_stale_and_replaced() -> None:
    profile = profile_with(0.7 * ONE_RM_N, 0.02 * ONE_RM_N)
    learned = learn(profile, [recorded(profile)], today=datetime.date(2026, 11, 10))
    assert learned.stale
    assert any("stale" in remark and "replaced" in remark for remark in learned.remarks)
    assert learned.after.one_rm_n is not None
    assert learned.after.one_rm_n.mean == pytest.approx(ONE_RM_N, rel=0.12)


def test_the_age_of_the_profile_and_of_the_newest_set_is_reported() -> None:
    profile = profile_with(ONE_RM_N, 0.05 * ONE_RM_N, date=datetime.date(2026, 6, 1))
    learned = learn(profile, [recorded(profile)], today=datetime.date(2026, 11, 10))
    assert learned.stale
    assert "the profile was 161 days old when these sets were done, stale after 84" in learned.remarks
    later = learn(profile, [recorded(profile)], today=datetime.date(2027, 3, 1))
    assert any("a fresh set is needed" in remark for remark in later.remarks)


def test_sets_of_one_sitting_are_one_thing_seen_and_sets_of_two_days_are_two() -> None:
    profile = profile_with(ONE_RM_N, 0.1 * ONE_RM_N)
    first = recorded(profile)
    assert first.begun_at is not None
    soon = replace(
        first, source="later.mcap", nonce="nonce-soon", begun_at=first.begun_at + datetime.timedelta(minutes=6)
    )
    next_day = replace(
        first, source="tomorrow.mcap", nonce="nonce-next-day", begun_at=first.begun_at + datetime.timedelta(days=1)
    )
    today = datetime.date(2026, 11, 12)
    one = learn(profile, [soon, first], today=today)
    assert [names for names, _ in one.taken] == ["evening.mcap and later.mcap"]
    assert one.after.sets_used == 4
    two = learn(profile, [next_day, first], today=today)
    assert [names for names, _ in two.taken] == ["evening.mcap", "tomorrow.mcap"]
    assert two.after.sets_used == 4
    # Two sets of one sitting tell more of that day than its first alone.
    assert one.taken[0][1].one_rm_n.sd < two.taken[0][1].one_rm_n.sd


def test_sets_of_others_are_refused_and_older_ones_left_out() -> None:
    profile = profile_with(ONE_RM_N, 0.1 * ONE_RM_N)
    item = recorded(profile)
    today = datetime.date(2026, 11, 10)
    with pytest.raises(
        UnusableFileError, match=r"evening\.mcap: armed with the profile of 'a7'; allowed: sets of 'b2'"
    ):
        learn(profile_with(800.0, 50.0, lifter="b2"), [item], today=today)
    with pytest.raises(UnusableFileError, match="exercise is 'bench_press'; allowed: 'row'"):
        learn(profile_with(800.0, 50.0, exercise="row"), [item], today=today)
    newer = learn(profile_with(800.0, 50.0, date=datetime.date(2026, 11, 10)), [item], today=today)
    assert not newer.taken
    assert any("before the profile's 2026-11-10; left out" in remark for remark in newer.remarks)


# --- at the command line ------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    profile = profile_with(0.9 * ONE_RM_N, 0.12 * ONE_RM_N)
    (tmp_path / "a7.toml").write_text(profile.to_toml())
    write(tmp_path / "set.mcap", profile)
    return tmp_path


def test_the_command_shows_what_changed_and_writes_only_where_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / "a7.toml").read_text()
    assert run(["profile", "--update", "a7.toml", "set.mcap"]) == 0
    shown = capsys.readouterr().out
    assert "Nothing written" in shown
    assert sorted(path.name for path in folder.iterdir()) == ["a7.toml", "set.mcap"]
    assert run(["profile", "--update", "a7.toml", "set.mcap", "-o", "new.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    new = LifterProfile.from_toml((folder / "new.toml").read_text())
    assert new.model_dump(mode="json") == told["profile"]
    change = told["changes"]["one_rm_n"]
    assert change["after"] == told["profile"]["one_rm_n"]
    by = change["after"]["mean"] - change["before"]["mean"]
    line = next(line for line in shown.splitlines() if "1RM, N per cable" in line)
    assert line.endswith(f"{by:+.0f} ({by / change['before']['mean']:+.1%})".replace("%", " %").replace("-", "−"))
    assert all(len(line) <= 100 for line in shown.splitlines())
    # Neither the profile itself nor another file is lost by a slip.
    for target in ("a7.toml", "new.toml"):
        assert run(["profile", "--update", "a7.toml", "set.mcap", "-o", target]) == 2
        assert f"-o is '{target}', which exists" in capsys.readouterr().err
    assert (folder / "a7.toml").read_text() == before
    assert run(["profile", "--update", "a7.toml", "set.mcap", "-o", "a7.toml", "--overwrite"]) == 0
    assert LifterProfile.from_toml((folder / "a7.toml").read_text()) == new
    assert new.one_rm_n == Uncertain.model_validate(change["after"])


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--update", "a7.toml"], 2, "--update comes without recordings"),
        (["--update", "a7.toml", "set.mcap", "--set", "40 kg 1.0"], 2, "--update comes with --set"),
        (["--update", "none.toml", "set.mcap"], 3, "none.toml"),
        (
            ["--update", "a7.toml", "set.mcap", "--date", "2026-01-01"],
            1,
            "nothing was learned: set.mcap: from 2026-01-01",
        ),
        (["set.mcap"], 2, "--lifter is missing"),
    ],
)
def test_what_cannot_be_updated_is_reported(
    capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str
) -> None:
    assert run(["profile", *arguments]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
