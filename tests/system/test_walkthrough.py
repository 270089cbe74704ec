"""The walkthrough, run as written, and its numbers recomputed from the export with pandas alone."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import frictionless
import numpy as np
import pandas as pd
import pytest

from ebbset.coaching.history.databases import sqlite_url
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.sessions.journal import read_events
from ebbset.coaching.sessions.session_events import Begun, SetEnded
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import mark_of
from tests.support.brokers import Mosquitto
from tests.support.warm_ebbset import warm_ebbset

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "walkthrough.md"
PATIENCE_S = 120.0
pytestmark = pytest.mark.broker


WANTED = {"": "north", "sessions": "", "lifters": "a7", "lifters/a7": "", "recordings": ""}
"""Views of the browser's page, each with what it holds once the page has heard of the rig and filled its store."""


def blocks() -> list[str]:
    return re.findall(r"^```sh\n(.*?)^```$", PAGE.read_text(), flags=re.MULTILINE | re.DOTALL)


BEFORE, LIVE, SIMULATED, PAGE_OPEN, PAGE_OVER = (0, 1), (2, 3), (4, 5, 6, 7), (8,), (9,)
"""Blocks of the page by what they need: a plan first; then the set served and read, and the sections on groups and on a
week, which need nothing of that set and so go on beside it while it waits for a lifter in real time; then the browser's
page, which goes on from one block to the next."""
COLD = (LIVE[0], *PAGE_OPEN)
"""Blocks whose programs are processes of their own, started and stopped as on the page."""


def run_blocks(numbers: tuple[int, ...], here: Path, environment: dict[str, str]) -> str:
    """Run blocks one after the other in the walkthrough's folder; what went wrong, or nothing."""
    for k in numbers:
        block = blocks()[k]
        path = environment["PATH"] if k not in COLD else environment["PATH"].split(os.pathsep, 1)[1]
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", block],
            cwd=here,
            env=environment | {"PATH": path},
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        if done.returncode != 0:
            logs = "\n".join(log.read_text()[-2000:] for log in here.glob("*.log"))
            return f"block {k + 1}:\n{block}\n{done.stdout}\n{done.stderr}\n{logs}"
    return ""


def shown(address: str, holds: str) -> str:
    """A view of the page once it holds what is wanted, or after a while."""
    deadline = time.monotonic() + PATIENCE_S
    while True:
        with urllib.request.urlopen(address, timeout=PATIENCE_S) as answer:
            text: str = answer.read().decode()
        if holds in text or time.monotonic() > deadline:
            return text
        time.sleep(0.2)


@pytest.fixture(scope="module")
def folder(broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Path:
    here = tmp_path_factory.mktemp("walkthrough")
    with tempfile.TemporaryDirectory(prefix="ebbset-") as short, warm_ebbset(Path(short)) as warm:
        path = os.pathsep.join((str(warm), str(Path(sys.executable).parent), os.environ["PATH"]))
        environment = os.environ | {"PORT": str(broker.port), "PATH": path, "EBBSET": str(ROOT), "PAGE_PORT": "0"}
        assert run_blocks(BEFORE, here, environment) == ""
        with ThreadPoolExecutor(2) as threads:
            told = list(threads.map(lambda numbers: run_blocks(numbers, here, environment), (LIVE, SIMULATED)))
        assert told == ["", ""], "\n".join(told)
        assert run_blocks(PAGE_OPEN, here, environment) == ""
        try:
            address = (here / "page.log").read_text().split()[-1].rstrip("/")
            for view, holds in WANTED.items():
                (here / f"view-{view.replace('/', '-')}.html").write_text(shown(f"{address}/{view}", holds))
        finally:
            assert run_blocks(PAGE_OVER, here, environment) == ""
    return here


@pytest.fixture(scope="module")
def reported(folder: Path) -> dict[str, Any]:
    sets: list[dict[str, Any]] = json.loads((folder / "report.json").read_text())
    assert len(sets) == 1
    return sets[0]


def test_the_page_has_its_blocks() -> None:
    assert [*BEFORE, *LIVE, *SIMULATED, *PAGE_OPEN, *PAGE_OVER] == list(range(len(blocks())))
    assert "ebbset serve" in blocks()[LIVE[0]]
    assert "ebbset page" in blocks()[PAGE_OPEN[0]]
    assert all("ebbset" in block for block in blocks()[:-1])


def test_the_profile_is_that_of_the_simulated_lifter(folder: Path) -> None:
    profile = LifterProfile.from_toml((folder / "a7.toml").read_text())
    assert profile.lifter == "a7"
    assert profile.sets_used == 2
    assert profile.one_rm_n is not None
    assert profile.one_rm_n.sd > 0.0


def test_the_set_taught_something_about_the_lifter(folder: Path) -> None:
    before, after = (LifterProfile.from_toml((folder / name).read_text()) for name in ("a7.toml", "a7-after.toml"))
    assert (after.lifter, after.sets_used) == (before.lifter, before.sets_used + 1)
    assert before.one_rm_n is not None
    assert after.one_rm_n is not None
    assert after.one_rm_n.sd < before.one_rm_n.sd, "a set to failure tells more than easy ones"


def test_the_plan_weighs_candidates_with_ranges(folder: Path) -> None:
    plan = json.loads((folder / "plan.json").read_text())
    assert plan["chosen"] == "drop"
    assert len(plan["candidates"]) >= 4
    for candidate in plan["candidates"]:
        low, middle, high = candidate["stimulus_relative_estimated"]
        assert 0.0 <= low < middle < high
        assert candidate["broken_invariants"] == 0
    assert "<svg" in (folder / "plan.svg").read_text()
    assert Prescription.from_toml((folder / "set.toml").read_text()).stop.max_drops == 3


def test_the_report_by_a_second_plain_computation(folder: Path, reported: dict[str, Any]) -> None:
    """Repetitions, drops, loads and velocities of the report against pandas on the exported tables."""
    repetitions = pd.read_csv(folder / "live-tables" / "repetitions.csv")
    decisions = pd.read_csv(folder / "live-tables" / "decisions.csv")
    result = reported["result"]
    assert reported["simulated"] is True
    assert pd.read_csv(folder / "live-tables" / "sets.csv")["simulated"].tolist() == [True]
    assert result["repetitions"] == (repetitions["outcome"] == "completed").sum()
    assert result["drops"] == (decisions["action"] == "drop").sum()
    assert result["final_load_n"][0] == pytest.approx(decisions.loc[decisions["action"] == "end", "from_n"].iloc[0])
    shown = pd.DataFrame(reported["repetitions"])
    assert len(shown) == len(repetitions)
    for column in ("load_n", "mean_velocity_m_s", "rom_m"):
        assert shown[column].tolist() == pytest.approx(repetitions[column].tolist())
    order = Prescription.from_toml((folder / "set.toml").read_text())
    drops = decisions[decisions["action"] == "drop"]
    assert (drops["to_n"] >= order.load.floor_n - 1e-6).all()
    assert len(drops) >= 1
    for one in drops.to_dict("records"):
        expected = max(0.8 * one["from_n"], order.load.floor_n)
        # Loads are told to the rig in tenths of a newton.
        assert one["to_n"] == pytest.approx(expected, abs=0.11)


def test_velocities_of_the_report_from_the_samples(folder: Path, reported: dict[str, Any]) -> None:
    """Way over time, from the exported samples alone."""
    samples = pd.read_csv(folder / "live-tables" / "samples.csv")
    repetitions = pd.read_csv(folder / "live-tables" / "repetitions.csv")
    assert len(repetitions) == len(reported["repetitions"])
    later = repetitions[repetitions.duplicated(["set", "cable", "bout"])]
    completed = later[later["outcome"] == "completed"].to_dict("records")
    assert len(completed) >= 1
    for one in completed:
        start_s, end_s = one["start_s"], one["end_s"]
        low, high = np.interp([start_s, end_s], samples["t_s"], samples["position_m"])
        assert (high - low) / (end_s - start_s) == pytest.approx(one["mean_velocity_m_s"], abs=0.02)


def test_the_page_for_the_coach_is_one_file(folder: Path) -> None:
    page = (folder / "live.html").read_text()
    assert "relative, estimated" in page
    assert "<strong>Simulated.</strong>" in page
    assert not re.findall(r"""(?:src|href)=["']https?://""", page)


def test_the_comparison_is_paired_and_tidy(folder: Path) -> None:
    table = pd.read_csv(folder / "compared.csv")
    assert len(table) == 2 * 2
    assert (table.groupby("person")["condition"].nunique() == 2).all()
    assert (table[["breaches", "floor_breaches"]] == 0).all().all()


def test_the_study_is_balanced_blinded_and_exported(folder: Path) -> None:
    schedule = pd.read_csv(folder / "schedule.csv")
    assert sorted(schedule.groupby("period")["condition"].apply(lambda c: "".join(sorted(c)))) == ["AB", "AB"]
    session = Prescription.from_toml((folder / "p01-1.toml").read_text())
    mark = mark_of(session.notes)
    assert mark is not None
    assert mark.hidden_from("lifter") == mark.hidden_from("assessor") == {"load", "budget", "condition"}
    sets = pd.read_csv(folder / "tables" / "sets.csv")
    assert sets["study"].unique().tolist() == [mark.study]
    merged = sets.merge(schedule, on=["participant", "period"], suffixes=("", "_ordered"))
    assert len(merged) == 4
    assert (merged["condition"] == merged["condition_ordered"]).all()
    assert frictionless.Package(str(folder / "tables" / "datapackage.json")).validate().valid


def test_a_week_goes_from_a_session_file_to_a_history(folder: Path) -> None:
    week = folder / "week"
    with HistoryStore.open(sqlite_url(week / "history.sqlite")) as store:
        sessions = store.sessions_of("a7")
        assert len(sessions) == 3
        sets = store.sets_of("a7")
    assert {one.exercise for one in sets} == {"row", "curl"}
    journals = sorted((week / "sessions").glob("*.journal.jsonl"))
    ended = [event for path in journals for event in read_events(path) if isinstance(event, SetEnded)]
    assert len(sets) == len(ended) >= 6
    # Wednesday and Friday know what the days before them taught.
    begun = [event for path in journals for event in read_events(path) if isinstance(event, Begun)]
    assert sorted(len(event.last_sets) > 0 for event in begun) == [False, True, True]
    assert "within the error" in (folder / "week.html").read_text()
    assert "<svg" in (folder / "week.svg").read_text()


def test_the_page_shows_the_rig_the_sessions_and_the_history(folder: Path) -> None:
    rigs, sessions, lifters, history, recordings = (
        (folder / f"view-{view}.html").read_text() for view in ("", "sessions", "lifters", "lifters-a7", "recordings")
    )
    assert "north" in rigs
    assert all("Stop" in view for view in (rigs, sessions, lifters, history, recordings))
    assert sessions.count("a7-monday") >= 1
    assert "a7" in lifters
    assert "within the error" in history
    assert recordings.count("a7-monday-") >= 2
