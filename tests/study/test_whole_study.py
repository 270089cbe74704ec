"""A study of 24 from file to analysis: every planted fault is told and nothing else, and one person can be deleted."""

from __future__ import annotations

import importlib.util
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pandas as pd
import pyarrow.parquet as pq
import pytest

from ebbset.console.app import run
from ebbset.controller.recording.sources import read_source
from ebbset.study.analysis.session_values import session_values

EXAMPLES = Path(__file__).parents[2] / "examples"
DELETED = "kea11"


@pytest.fixture(scope="module")
def example() -> ModuleType:
    spec = importlib.util.spec_from_file_location("whole_study", EXAMPLES / "whole_study.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["whole_study"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("whole")


@pytest.fixture(scope="module")
def found(example: ModuleType, folder: Path) -> Iterator[tuple[object, object]]:
    """Read by an analyst in New York, eighteen hours behind the site."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "America/New_York")
        time.tzset()
        yield example.run(folder)
    time.tzset()


def test_without_faults_nothing_is_told_but_the_amendments(example: ModuleType, found: tuple[object, object]) -> None:
    clean = found[0]
    assert isinstance(clean, example.Told)
    assert clean.departures == []
    assert clean.remarks == [
        "amendment 1 of 2027-02-03: kea07 withdrew with 1 of 2 sessions recorded (moved away)",
        "amendment 2 of 2027-02-08: kea25 joined in place of kea07 (takes the place that became free)",
    ]
    assert clean.sessions == 2 * 24 + 1


def test_every_planted_fault_is_told_and_nothing_else(example: ModuleType, found: tuple[object, object]) -> None:
    clean, faulty = found
    assert isinstance(clean, example.Told)
    assert isinstance(faulty, example.Told)
    assert faulty.departures == [
        "participant kea03, session 1: done twice, in kea03-01.mcap and kea03-01-again.mcap",
        "participant kea05, session 2: on 2027-02-04, 1 day after session 1 on 2027-02-03; at least 3 required",
    ]
    assert faulty.remarks == clean.remarks
    assert faulty.sessions == clean.sessions


def test_the_analysis_finds_what_was_put_in(example: ModuleType, found: tuple[object, object]) -> None:
    for one in found:
        assert isinstance(one, example.Told)
        assert one.contrast.low < example.EFFECT_M < one.contrast.high
        assert one.contrast.p_value < 0.001
        assert one.contrast.high - one.contrast.low < 0.02
        # 49 sessions of 25 people, less an intercept each, a condition and a period.
        assert one.contrast.degrees_of_freedom == 49 - 25 - 2


def test_values_of_sessions_are_those_that_pandas_finds(folder: Path, found: tuple[object, object]) -> None:
    assert found
    tables = folder / "tables-with-faults"
    sets = pd.read_csv(tables / "sets.csv").sort_values("begun_at").drop_duplicates(["participant", "period"])
    repetitions = pd.read_csv(tables / "repetitions.csv")
    rom_m = repetitions[repetitions["outcome"] == "completed"].groupby("set")["rom_m"].mean()
    ours = {(one.participant, one.period): one for one in session_values(tables, "rom_m")}
    assert len(ours) == len(sets) == 49
    for row in sets.to_dict("records"):
        one = ours[row["participant"], row["period"]]
        assert one.condition == row["condition"]
        assert one.value == pytest.approx(rom_m[row["set"]])
    assert sum(one.value for one in session_values(tables, "repetitions")) == sets["repetitions"].sum() == 98


def test_the_commands_tell_the_same(
    folder: Path, found: tuple[object, object], capsys: pytest.CaptureFixture[str]
) -> None:
    assert found
    study, recordings = str(folder / "study.toml"), sorted(map(str, (folder / "recordings").glob("*.mcap")))
    assert run(["study", "fidelity", study, *recordings]) == 0
    assert "Every session was recorded as the study prescribes." in capsys.readouterr().out
    faults = sorted(map(str, (folder / "faults").glob("*.mcap")))
    kept = [path for path in recordings if not path.endswith("kea05-01.mcap")]
    assert run(["study", "fidelity", study, *kept, *faults]) == 1
    assert capsys.readouterr().out.count("departure: ") == 2
    assert run(["study", "check", study]) == 1
    out = capsys.readouterr().out
    assert "25 participants (24 planned, 1 withdrawn)" in out
    assert "dates are those of Pacific/Auckland" in out


def test_one_participant_is_deleted_and_no_byte_is_left(
    folder: Path, found: tuple[object, object], capsys: pytest.CaptureFixture[str]
) -> None:
    """Every byte of every file, and every cell of compressed tables, for the pseudonym and the nonces of the sets."""
    assert found
    study = str(folder / "study.toml")
    assert run(["study", "seal", study, str(folder / "sealed"), "--codes", str(folder / "codes.csv")]) == 0
    assert run(["study", "session", study, DELETED, "1", "-o", str(folder / "today.toml")]) == 0
    theirs = [item for path in folder.rglob(f"{DELETED}*.mcap") for item in read_source(path).sets]
    words = [DELETED, *(item.nonce for item in theirs)]
    assert len(words) == 3
    before = _holding(folder, words)
    assert len(before) > 10
    capsys.readouterr()
    run(["lifter", "delete", DELETED, str(folder), "--yes"])
    told = capsys.readouterr().out
    left = _holding(folder, words)
    # What people keep by hand is named for them: the study file, and the list of codes.
    assert left == {"study.toml", "codes.csv"}
    assert all(name in told for name in left)
    others = sorted(path.name for path in (folder / "recordings").glob("*.mcap"))
    assert len(others) == 49 - 2
    assert run(["study", "fidelity", study, *(str(folder / "recordings" / name) for name in others), "--json"]) == 1
    out = capsys.readouterr().out
    assert out.count("no recording") == 2
    assert pq.read_table(folder / "tables" / "sets.parquet").num_rows == 47


def _holding(folder: Path, words: list[str]) -> set[str]:
    """Files with one of the words in their name, their bytes, or a cell."""
    found = set()
    for path in folder.rglob("*"):
        if not path.is_file():
            continue
        data = path.name.encode() + b"\n" + path.read_bytes()
        if path.suffix == ".parquet":
            data += repr(pq.read_table(path).to_pydict() if path.stem != "samples" else _texts(path)).encode()
        if any(word.encode() in data for word in words):
            found.add(path.relative_to(folder).as_posix())
    return found


def _texts(path: Path) -> list[set[str]]:
    """Distinct texts of a large table."""
    table = pq.read_table(path, columns=["recording", "set"])
    return [set(column.unique().to_pylist()) for column in table.columns]
