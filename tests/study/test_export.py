"""Exported tables: valid as a data package by the frictionless library, and equal to a plain recount from them."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import frictionless
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

from ebbset.coaching.worth import estimated
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.study.export import Exported, dictionary, export
from ebbset.study.rehearsal import record_set
from ebbset.study.tables_schema import TABLES

BEGUN = datetime.datetime(2026, 12, 1, 10, 0, tzinfo=datetime.UTC)


def order(one_rm: float) -> Prescription:
    return Prescription.model_validate(
        {
            "name": "Two drops, then a rest and a short bout",
            "exercise": "row",
            "load": {"start_n": 0.75 * one_rm, "floor_n": 0.3 * one_rm},
            "stop": {"max_drops": 2, "max_duration_s": 120.0},
            "bouts": [
                {"repetitions": 3},
                {"rest_before_s": 15.0},
            ],
        }
    )


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    here = tmp_path_factory.mktemp("recorded")
    found = []
    for cables in (1, 2):
        rig = RigParameters(n_cables=cables)
        lifter = exercise("row").mean_lifter()
        path = here / f"cables-{cables}.mcap"
        record_set(path, order(one_rm_n(lifter, rig)), lifter, seed=cables, begun_at=BEGUN, rig=rig)
        found.append(path)
    return found


@pytest.fixture(scope="module")
def exported(recordings: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Exported:
    return export(recordings, tmp_path_factory.mktemp("export"), estimate=estimated)


def test_the_package_is_valid_by_the_specification(exported: Exported) -> None:
    report = frictionless.Package(str(exported.folder / "datapackage.json")).validate()
    assert report.valid, report.flatten(["type", "note"])
    assert len(report.tasks) == 4


def test_a_broken_table_is_refused_by_the_same_check(exported: Exported, tmp_path: Path) -> None:
    for file in exported.folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    sets = (tmp_path / "sets.csv").read_text().splitlines()
    (tmp_path / "sets.csv").write_text("\n".join([*sets, sets[1]]) + "\n")
    assert not frictionless.Package(str(tmp_path / "datapackage.json")).validate().valid


def test_a_decision_joins_to_the_repetition_that_it_answers(exported: Exported) -> None:
    decisions, repetitions = (
        pq.read_table(exported.folder / f"{name}.parquet").to_pandas() for name in ("decisions", "repetitions")
    )
    joined = decisions[decisions["action"] == "drop"].merge(
        repetitions, on=["set", "cable", "repetition"], how="inner", suffixes=("_made", "")
    )
    assert len(joined) == (decisions["action"] == "drop").sum() >= 4
    assert (joined["attempt_made"] == joined["attempt"]).all()
    # It stalled at the load before the drop, and was over at the load after it.
    before = np.where(joined["cable"] == 0, joined["from_n"], joined["from_2_n"])
    after = np.where(joined["cable"] == 0, joined["to_n"], joined["to_2_n"])
    np.testing.assert_array_equal(joined["load_n"], before)
    np.testing.assert_array_equal(joined["ended_load_n"], after)


def test_a_decision_about_a_repetition_that_is_not_there_is_refused(exported: Exported, tmp_path: Path) -> None:
    for file in exported.folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    lines = (tmp_path / "repetitions.csv").read_text().splitlines(keepends=True)
    answered = pd.read_csv(tmp_path / "decisions.csv")["attempt"].dropna().iloc[0]
    (tmp_path / "repetitions.csv").write_text("".join(line for line in lines if f'"{answered}"' not in line))
    report = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    assert [kind for (kind,) in report.flatten(["type"])] == ["foreign-key"]


def test_every_column_is_described(exported: Exported) -> None:
    package = json.loads((exported.folder / "datapackage.json").read_text())
    text = dictionary()
    assert (exported.folder / "dictionary.md").read_text() == text
    for resource in package["resources"]:
        head = (exported.folder / resource["path"]).read_text().splitlines()[0].replace('"', "").split(",")
        assert head == [field["name"] for field in resource["schema"]["fields"]]
        assert all(field["description"] for field in resource["schema"]["fields"])
        assert all(f"| {name} |" in text for name in head)


@pytest.mark.parametrize("table", list(TABLES))
def test_parquet_and_csv_hold_the_same(exported: Exported, table: str) -> None:
    parquet = pq.read_table(exported.folder / f"{table}.parquet").to_pandas()
    text = pd.read_csv(exported.folder / f"{table}.csv", parse_dates=["begun_at"] if table == "sets" else [])
    assert len(parquet) == len(text) == exported.rows[table] > 0
    for column in parquet.columns:
        left, right = parquet[column], text[column]
        if pd.api.types.is_float_dtype(left):
            np.testing.assert_allclose(left.astype(float), right.astype(float), rtol=1e-12)
        else:
            assert (
                left.astype(object).fillna("").astype(str).tolist()
                == right.astype(object).fillna("").astype(str).tolist()
            )


@pytest.mark.parametrize("table", TABLES)
def test_polars_reads_what_pandas_reads(exported: Exported, table: str) -> None:
    mine = pd.read_parquet(exported.folder / f"{table}.parquet")
    theirs = pl.read_parquet(exported.folder / f"{table}.parquet")
    assert theirs.height == len(mine) > 0
    assert theirs.columns == list(mine.columns)
    pd.testing.assert_frame_equal(theirs.to_pandas(), mine, check_dtype=False)
    text = pl.read_csv(exported.folder / f"{table}.csv", infer_schema_length=None)
    for column in TABLES[table]:
        if column.kind == "number":
            np.testing.assert_array_equal(text[column.name].cast(pl.Float64), theirs[column.name])


def test_samples_are_those_of_the_recording(exported: Exported, recordings: list[Path]) -> None:
    samples = pq.read_table(exported.folder / "samples.parquet").to_pandas()
    for path in recordings:
        item = read_source(path).sets[0]
        mine = samples[samples["recording"] == path.name]
        assert len(mine) == item.trace.t_s.size * item.trace.cables
        for cable, part in mine.groupby("cable"):
            np.testing.assert_array_equal(part["position_m"], item.trace.position_m[:, int(str(cable))])
            assert np.all(np.diff(part["t_s"]) > 0.0)


def test_a_recount_from_the_repetitions_gives_the_sets(exported: Exported) -> None:
    """The same numbers by pandas alone, which knows nothing of how the controller counted."""
    sets = pd.read_csv(exported.folder / "sets.csv").set_index("set")
    repetitions = pd.read_csv(exported.folder / "repetitions.csv")
    decisions = pd.read_csv(exported.folder / "decisions.csv")
    for name, mine in repetitions.groupby("set"):
        row, cables = sets.loc[name], mine["cable"].nunique()
        whole = mine[mine["outcome"] == "completed"].groupby("cable").size()
        assert row["repetitions"] == whole.min()
        assert row["drops"] == ((decisions["set"] == name) & (decisions["action"] == "drop")).sum()
        hard = mine[(mine["outcome"] == "completed") & (mine["reserve"] <= 4)]
        assert row["hard_repetitions"] == pytest.approx(len(hard) / cables)
        assert row["relative_worth_low"] < row["relative_worth"] < row["relative_worth_high"]
        assert mine["relative_worth"].sum() / cables == pytest.approx(row["relative_worth"], rel=0.15)
        assert mine["load_n"].max() <= row["start_load_n"] + 1e-6
        assert mine["load_n"].min() >= row["floor_load_n"] - 1e-6


def test_worth_in_the_tables_is_that_of_the_report(exported: Exported, recordings: list[Path]) -> None:
    sets = pd.read_csv(exported.folder / "sets.csv").set_index("recording")
    for path in recordings:
        found = estimated(read_source(path).sets[0])
        assert found is not None
        assert sets.loc[path.name, "relative_worth"] == pytest.approx(found.total.middle)


def test_mean_velocity_recomputed_from_the_samples(exported: Exported) -> None:
    """Mean velocity of a repetition is its way over its time, from the position samples alone."""
    samples = pq.read_table(exported.folder / "samples.parquet").to_pandas()
    repetitions = pq.read_table(exported.folder / "repetitions.parquet").to_pandas()
    compared = 0
    # A bout's first repetition goes on from lifting the handle out of the dock; where it begins is a definition.
    later = repetitions[repetitions.duplicated(["set", "cable", "bout"])]
    for one in later[later["outcome"] == "completed"].itertuples():
        trace = samples[(samples["set"] == one.set) & (samples["cable"] == one.cable)]
        low, high = np.interp([one.start_s, one.end_s], trace["t_s"], trace["position_m"])
        assert (high - low) / (one.end_s - one.start_s) == pytest.approx(one.mean_velocity_m_s, abs=0.02)
        compared += 1
    assert compared >= 10


def test_a_cut_recording_is_exported_and_said_to_be_cut(recordings: list[Path], tmp_path: Path) -> None:
    cut = tmp_path / "cut.mcap"
    data = recordings[0].read_bytes()
    cut.write_bytes(data[: len(data) * 2 // 3])
    assert not read_recording(cut).whole
    found = export([cut], tmp_path / "out", estimate=estimated)
    assert found.remarks
    assert not pd.read_csv(tmp_path / "out" / "sets.csv")["whole"].any()
    assert frictionless.Package(str(tmp_path / "out" / "datapackage.json")).validate().valid


def test_wall_clock_is_utc(exported: Exported) -> None:
    begun = pq.read_table(exported.folder / "sets.parquet").to_pandas()["begun_at"]
    assert all(0 <= (moment - BEGUN).total_seconds() < 5.0 for moment in begun)


def test_every_estimate_is_exported_with_its_interval_as_the_controller_told_it(
    exported: Exported, recordings: list[Path]
) -> None:
    table = pq.read_table(exported.folder / "repetitions.parquet").to_pandas().set_index("attempt")
    for path in recordings:
        for item in read_source(path).sets:
            for record in item.repetitions:
                row = table.loc[f"{item.nonce}/{record.cable}/{record.index}"]
                assert row["one_rm_n"] == record.one_rm_n
                assert row["one_rm_low_n"] <= row["one_rm_n"] <= row["one_rm_high_n"]
                assert row["capacity_low_n"] <= row["capacity_n"] <= row["capacity_high_n"]
                assert row["budget_spent_low"] <= row["budget_spent"] <= row["budget_spent_high"]
                assert row["repetitions_in_reserve_high"] == record.repetitions_in_reserve_high
