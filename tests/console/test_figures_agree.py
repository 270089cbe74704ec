"""Terminal and page show one figure under one label, and the end says which budget was spent."""

from __future__ import annotations

import datetime
import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from ebbset.console import app
from ebbset.console.report import terminal_report
from ebbset.controller.messages.endings import BUDGETS
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract.prescription import BudgetSection, Prescription
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.study.rehearsal import record_set

RIG = RigParameters()
LIFTER = exercise("row").mean_lifter()


def recorded(folder: Path, name: str, **sections: object) -> Path:
    one_rm = one_rm_n(LIFTER, RIG)
    order = Prescription.model_validate(
        {
            "name": name,
            "exercise": "row",
            "load": {"start_n": 0.8 * one_rm, "floor_n": 0.3 * one_rm},
            **sections,
        }
    )
    path = folder / f"{name}.mcap"
    record_set(path, order, LIFTER, seed=1, begun_at=datetime.datetime(2026, 12, 1, tzinfo=datetime.UTC), rig=RIG)
    return path


def shown(item: RecordedSet) -> str:
    console = Console(width=120, file=io.StringIO(), record=True, highlight=False)
    terminal_report.show(item, console)
    return console.export_text()


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return recorded(tmp_path_factory.mktemp("dropped"), "drops", stop={"max_drops": 2})


@pytest.fixture(scope="module")
def page(dropped: Path) -> str:
    out = dropped.with_suffix(".html")
    assert app.run(["report", str(dropped), "--page", str(out)]) == 0
    return out.read_text().replace("\u202f", " ").replace("\xa0", " ")


def test_terminal_and_page_give_the_same_time_of_every_decision(dropped: Path, page: str) -> None:
    item = read_source(dropped).sets[0]
    text = shown(item)
    assert sum(moment.decision.action == "drop" for moment in item.moments) == 2
    for moment in item.moments:
        said = f"{moment.t_s:.2f} s".replace("-", "−")
        assert said in text
        assert said in page


def test_both_give_half_of_the_80_percent_interval_and_say_so(dropped: Path, page: str) -> None:
    item = read_source(dropped).sets[0]
    record = item.repetitions[-1]
    assert record.capacity_n is not None
    assert record.capacity_sd_n is not None
    said = f"{record.capacity_n / 9.80665:.1f} ± {1.2816 * record.capacity_sd_n / 9.80665:.1f}"
    text = shown(item)
    assert said in text
    assert "± 80 %" in text
    assert said in page
    assert "± 80 %" in page


def test_both_show_a_stalled_repetition_at_the_load_where_it_stalled(dropped: Path, page: str) -> None:
    item = read_source(dropped).sets[0]
    drop = next(moment.decision for moment in item.moments if moment.decision.action == "drop")
    before, after = (f"{load_n / 9.80665:.1f}" for load_n in (drop.from_n[0], drop.to_n[0]))
    cable, index = item.attempts.answered[drop.seq]
    row = next(line for line in shown(item).splitlines() if re.match(rf"\s*{index}\s+1\.\d", line))
    assert cable == 0
    assert f" {before} " in row
    (ended,) = [one for one in item.repetitions if (one.cable, one.index) == (cable, index)]
    assert row.rstrip().endswith(f"{ended.outcome.value} at {after}")
    assert f"{ended.outcome.value} at {after}" in page


def test_the_velocity_fact_compares_repetitions_at_one_load(dropped: Path, page: str) -> None:
    item = read_source(dropped).sets[0]
    first = [r for r in item.repetitions if r.step == 0 and r.outcome.value == "completed"]
    assert len(first) > 1
    best, last = max(r.mean_velocity_m_s for r in first), first[-1].mean_velocity_m_s
    assert f"{best:.2f} → {last:.2f} m/s" in page
    assert f"fastest, last repetition at {first[0].load_n / 9.80665:.1f} kg" in page


def test_every_budget_has_its_sentence() -> None:
    assert set(BUDGETS) == set(BudgetSection.model_fields)


@pytest.mark.parametrize(
    ("budget", "field"),
    [
        ({"capacity_loss": 0.2}, "capacity_loss"),
        ({"hard_repetitions": 2.0}, "hard_repetitions"),
        ({"least_marginal_worth": 0.9}, "least_marginal_worth"),
    ],
)
def test_the_end_says_which_budget_was_spent(budget: dict[str, float], field: str, tmp_path: Path) -> None:
    item = read_source(recorded(tmp_path, "budget", budget=budget)).sets[0]
    assert item.result is not None
    assert item.result.reason is Reason.BUDGET_SPENT
    assert item.spent_budget == field
    text = " ".join(shown(item).split())
    assert text.count(BUDGETS[field]) == 2, "at the head, and in the list of decisions"
    assert "A budget is spent" not in text
