"""The study's mixed model against statsmodels' own formula and at its level, and power by simulated studies."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from ebbset.console.app import run
from ebbset.simulators.population.families import COMPILED, family_names
from ebbset.study.analysis.mixed_model import SessionValue, analysed, first_of_each
from ebbset.study.analysis.power import Question, SimulatedStudy, power_of, run_trial, wilson
from ebbset.study.randomisation import crossover
from ebbset.study.study_file import read_study

ARM = """
name = "{name}"
exercise = "bench_press"
[load]
start_n = 300.0
floor_n = 150.0
[[bouts]]
repetitions = {repetitions}
on_stall = "end"
"""
STUDY = """
name = "Planned (invented)"
seed = 7
design = "crossover"
start = 2026-12-01
washout_days = 2
time_zone = "Europe/Berlin"
reference_one_rm_n = 500.0
replacement = "next"
[blinding]
hide_from_assessor = ["load"]
[[conditions]]
code = "A"
label = "two"
prescription = "a.toml"
[[conditions]]
code = "B"
label = "three"
prescription = "b.toml"
[[participants]]
id = "p01"
one_rm_n = 400.0
[[participants]]
id = "p02"
one_rm_n = 500.0
[[amendments]]
date = 2026-12-20
reason = "slow | recruitment"
[[amendments.add]]
id = "p03"
one_rm_n = 450.0
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.toml").write_text(ARM.format(name="Two", repetitions=2))
    (tmp_path / "b.toml").write_text(ARM.format(name="Three", repetitions=3))
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


def drawn(people: int, conditions: int, effect: float, seed: int, *, between_sd: float = 2.0) -> list[SessionValue]:
    """A crossover with a period effect, people who differ, and sessions that vary by one."""
    rng = np.random.default_rng(seed)
    orders = crossover(people, conditions, 1, rng)
    own = between_sd * rng.standard_normal(people)
    return [
        SessionValue(
            f"p{k}", period, "ABCD"[c], 10.0 + own[k] + 0.3 * period + effect * (c == 1) + rng.standard_normal()
        )
        for k, order in enumerate(orders)
        for period, c in enumerate(order, start=1)
    ]


def of(values: list[SessionValue], condition: str) -> list[float]:
    return [one.value for one in values if one.condition == condition]


# --- the model ----------------------------------------------------------------------------------------------------


def test_estimates_are_those_of_the_formula_interface() -> None:
    values = drawn(12, 3, 1.0, seed=4)
    table = pd.DataFrame([{"y": v.value, "c": v.condition, "period": v.period, "who": v.participant} for v in values])
    theirs = smf.mixedlm("y ~ C(c) + C(period)", table, groups="who").fit(reml=True)
    for ours in analysed(values, conditions="ABC", design="crossover"):
        assert ours.effect == pytest.approx(theirs.params[f"C(c)[T.{ours.condition}]"], abs=1e-4)
        assert ours.standard_error == pytest.approx(theirs.bse[f"C(c)[T.{ours.condition}]"], rel=1e-3)
        assert ours.degrees_of_freedom == 36 - 12 - 4


def test_two_conditions_without_periods_are_a_paired_t_test() -> None:
    """Everybody in the same order: differences within people, as the paired t test has them."""
    rng = np.random.default_rng(8)
    own = 3.0 * rng.standard_normal(9)
    values = [
        SessionValue(f"p{k}", 1, code, own[k] + 0.8 * (code == "B") + rng.standard_normal())
        for k in range(9)
        for code in "AB"
    ]
    (ours,) = analysed(values, conditions="AB", design="crossover")
    theirs = stats.ttest_rel(
        [v.value for v in values if v.condition == "B"], [v.value for v in values if v.condition == "A"]
    )
    assert ours.degrees_of_freedom == 8
    assert ours.p_value == pytest.approx(float(theirs.pvalue), rel=0.02)


def test_parallel_groups_are_a_t_test_between_people() -> None:
    rng = np.random.default_rng(9)
    values = [SessionValue(f"p{k}", 1, "AB"[k % 2], 0.9 * (k % 2) + rng.standard_normal()) for k in range(14)]
    (ours,) = analysed(values, conditions="AB", design="parallel")
    theirs = stats.ttest_ind(
        [v.value for v in values if v.condition == "B"], [v.value for v in values if v.condition == "A"]
    )
    assert ours.p_value == pytest.approx(float(theirs.pvalue), rel=1e-6)
    repeated = [SessionValue(v.participant, p, v.condition, v.value + 0.1 * p * rng.standard_normal())
                for v in values for p in (1, 2, 3)]  # fmt: skip
    (ours,) = analysed(repeated, conditions="AB", design="parallel")
    assert ours.degrees_of_freedom == 12


def test_nothing_is_found_in_one_of_twenty_and_intervals_hold_nineteen() -> None:
    """100 studies of six people without an effect; 2.5 standard errors (2.2 %) of a share of 5 % are allowed.

    Wald's z, without degrees of freedom, would find something in 12 % of them (t distribution with four).
    """
    found = [analysed(drawn(6, 2, 0.0, seed=k), conditions="AB", design="crossover")[0] for k in range(100)]
    assert sum(one.p_value < 0.05 for one in found) / 100 == pytest.approx(0.05, abs=2.5 * 0.022)
    assert sum(one.low <= 0.0 <= one.high for one in found) / 100 == pytest.approx(0.95, abs=2.5 * 0.022)


def test_holm_holds_the_level_over_all_contrasts() -> None:
    found = analysed(drawn(10, 4, 0.6, seed=2), conditions="ABCD", design="crossover")
    ordered = sorted(found, key=lambda one: one.p_value)
    by_hand = np.maximum.accumulate([min((3 - k) * one.p_value, 1.0) for k, one in enumerate(ordered)])
    assert [one.p_adjusted for one in ordered] == pytest.approx(list(by_hand))


def test_values_that_never_differ_and_conditions_without_values() -> None:
    same = [SessionValue(f"p{k}", p, "AB"[(k + p) % 2], 3.0) for k in range(4) for p in (1, 2)]
    (ours,) = analysed(same, conditions="AB", design="crossover")
    assert (ours.effect, ours.p_value) == (0.0, 1.0)
    with pytest.raises(ValueError, match="condition is 'C' without any value"):
        analysed(same, conditions="ABC", design="crossover")
    with pytest.raises(ValueError, match="participants are 1; allowed: more"):
        analysed(same[:2], conditions="AB", design="crossover")


def test_a_repeat_does_not_count() -> None:
    first = SessionValue("p1", 1, "A", 5.0)
    assert first_of_each([first, SessionValue("p1", 1, "A", 9.0), SessionValue("p1", 2, "B", 7.0)]) == [
        first,
        SessionValue("p1", 2, "B", 7.0),
    ]


# --- power --------------------------------------------------------------------------------------------------------


def test_the_interval_of_a_share_is_wilsons() -> None:
    """Against scipy's own."""
    for hits, trials in ((0, 10), (3, 10), (10, 10), (81, 100)):
        theirs = stats.binomtest(hits, trials).proportion_ci(method="wilson")
        assert wilson(hits, trials) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_a_smaller_study_is_the_beginning_of_a_larger_one(folder: Path) -> None:
    study = read_study(folder / "study.toml")
    small = run_trial((study, Question("duration_s", (3,), None, 5), 0))
    both = run_trial((study, Question("duration_s", (3, 4), None, 5), 0))
    assert both.effects[0] == small.effects[0]
    assert both.effects[1] != small.effects[0]
    # Three repetitions take longer than two, by about one repetition.
    assert 0.8 < both.effects[1][0] < 8.0
    # With an effect given, every session follows the first condition, and the effect is what is added.
    added = run_trial((study, Question("duration_s", (4,), 2.5, 5), 0))
    plain = run_trial((study, Question("duration_s", (4,), 0.0, 5), 0))
    assert added.effects[0][0] - plain.effects[0][0] == pytest.approx(2.5, abs=1e-6)


def test_another_family_of_people_gives_another_study(folder: Path) -> None:
    study = read_study(folder / "study.toml")
    found = {
        name: run_trial((study, Question("mean_velocity_m_s", (3,), 0.0, 5, name), 0))
        for name in (COMPILED, "published_statistics")
    }
    assert "published_statistics" in family_names()
    assert all(one.without_value == 0 and np.isfinite(one.effects[0][0]) for one in found.values())
    assert found[COMPILED].effects != found["published_statistics"].effects


def test_power_counts_what_was_found(folder: Path) -> None:
    study = read_study(folder / "study.toml")
    trials = [SimulatedStudy(((1.0,),), ((0.5,),), ((k < 7,),), 0) for k in range(10)]
    (row,) = power_of(study, Question("repetitions", (4,), None, 1), trials)
    assert (row.power, row.effect, row.half_width, row.condition) == (0.7, 1.0, 0.5, "B")
    assert (row.low, row.high) == wilson(7, 10)


def test_power_by_command_is_that_of_its_trials_and_writes_a_plan(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["study", "power", "study.toml", "--participants", "3,4", "--trials", "2", "--outcome", "duration_s"]
    assert run([*asked, "--workers", "1", "--json"]) == 0
    one = json.loads(capsys.readouterr().out)
    study = read_study(folder / "study.toml")
    # Trials one by one, the last first: the number of processes and their order make no difference.
    question = Question("duration_s", (3, 4), None, 1)
    trials = [run_trial((study, question, number)) for number in (1, 0)]
    assert [asdict(row) for row in power_of(study, question, trials[::-1])] == one["power"]
    plan = (folder / "study-analysis-plan.md").read_text()
    for told in (
        "# Statistical analysis plan: Planned (invented)",
        study.hash,
        "- B - A",
        "random intercept for each participant",
        "One contrast, so nothing is adjusted.",
        "missing at random",
        "assessor's screen: condition, load",
        "lifter's screen: condition.",
        "next free place",
        f"| 1 | 2026-12-20 | p03 | – | slow / recruitment | `{study.history[1]}` |",
        "Europe/Berlin",
    ):
        assert told in plan, told
    assert plan.count("## ") == 7


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--participants", "many"], 2, "participants is 'many'; allowed: FROM-TO:STEP"),
        (["--participants", "2,4"], 2, "participants are 2, 4; allowed: 3 to 2000"),
        (["--participants", "8,4"], 2, "not rising"),
        (["--participants", "8-4:2"], 2, "allowed: 3 to 2000"),
        (["--outcome", "happiness"], 2, "outcome is 'happiness'; allowed: repetitions, "),
    ],
)
def test_what_cannot_be_asked_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, said: str
) -> None:
    assert folder.exists()
    assert run(["study", "power", "study.toml", "--workers", "1", *arguments]) == code
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
