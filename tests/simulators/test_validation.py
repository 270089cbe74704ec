"""The table of checks in its short form: every judged figure inside what its source allows.

The sources, tolerances and errors stand in the rows themselves; ``ebbset validate`` prints them all.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from pathlib import Path

import pytest

from campaigns.fits import calibrate
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.validation import laws, validate
from ebbset.simulators.validation.comparison import (
    KINDS,
    CheckResult,
    Headline,
    Section,
    ValidationReport,
    between,
    headline,
    unseen,
    unseen_range,
    within,
)
from ebbset.simulators.validation.protocols import all_out_end
from ebbset.simulators.validation.published_targets import LOADS, VELOCITY_TARGETS_M_S

PEOPLE, SEED = validate.PEOPLE_SHORT, 0


@lru_cache(maxsize=64)
def rows(name: str) -> tuple[CheckResult, ...]:
    return validate.sections(PEOPLE, SEED)[name]().results


@pytest.mark.parametrize("name", list(validate.sections(PEOPLE, SEED)))
def test_simulated_figures_are_inside_what_is_published_or_known_not_to_be(name: str) -> None:
    results = rows(name)
    assert results
    assert all(r.source and r.published and r.simulated and r.error and r.width for r in results)
    outside = [f"{r.name}: {r.published}, simulated {r.simulated} ({r.error})" for r in results if not r.as_expected]
    assert not outside, "\n".join(outside)


def test_enough_figures_could_have_failed_and_some_do() -> None:
    """At least 20 unseen figures from 10 studies, some outside; only they carry a distance and are counted."""
    found = [r for name in validate.sections(PEOPLE, SEED) for r in rows(name)]
    told = headline(found)
    assert told.unseen >= 20
    assert told.studies >= 10
    assert told.inside_error + told.inside_deviation + told.outside == told.unseen
    assert told.outside == told.expected_outside >= 3
    assert {r.kind for r in found} == set(KINDS)
    assert all((r.distance is not None) == (r.kind == "unseen") for r in found)


def test_the_headline_counts_unseen_figures_only() -> None:
    results = [
        unseen(16, "a", "Study 1", 1.05, 1.0, 0.1, 0.3),
        unseen(16, "b", "Study 1", 1.2, 1.0, 0.1, 0.3),
        unseen(16, "c", "Study 2", 0.6, 1.0, 0.1, 0.3),
        unseen(16, "d", "Study 2", 1.4, 1.0, 0.1, 0.3, expected_outside="known"),
        unseen_range(16, "e", "Study 3", 1.0, 0.9, 1.1),
        within(1, "f", "s", 5.0, 1.0, 0.1, "fitted", "w"),
        within(1, "g", "s", 1.0, 1.0, 0.1, "code", "w"),
    ]
    told = headline(results)
    assert told == Headline(unseen=5, studies=3, inside_error=2, inside_deviation=1, outside=2, expected_outside=1)
    assert [r.as_expected for r in results] == [True, True, False, True, True, False, True]


def test_every_group_of_checks_is_handed_to_one_process() -> None:
    names = list(validate.sections(PEOPLE, SEED))
    handed = [name for piece in validate.pieces(names) for name in piece]
    assert sorted(handed) == sorted(names)
    assert set(handed) >= {name for piece in validate.LONGEST for name in piece}


def test_report_gathers_all_sections_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    good, bad = within(3, "b", "s", 1.0, 1.0, 0.1, "follows", "w"), within(1, "a", "s", 2.0, 1.0, 0.1, "fitted", "w")
    monkeypatch.setattr(validate, "sections", lambda *_: {"x": lambda: Section((good,)), "y": lambda: Section((bad,))})
    report = validate.run(short=True, seed=7)
    assert report.results == (bad, good)
    assert validate.checks(short=True) == [bad, good]
    assert (report.people, report.seed, report.passed) == (PEOPLE, 7, False)


def test_all_out_contractions_end_where_they_did() -> None:
    """Burnley 2009: 60 all-out contractions end at 29.5 %; 3CC-r some 20 points above, critical force some 46."""
    assert all_out_end("3cc_r") == pytest.approx(0.49, abs=0.05)
    assert all_out_end("critical_force") == pytest.approx(0.75, abs=0.05)


def test_rows_can_fail_on_both_sides() -> None:
    for value, inside in ((0.94, False), (0.96, True), (1.04, True), (1.06, False)):
        assert within(1, "n", "s", value, 1.0, 0.05, "fitted", "w").passed is inside
        assert between(1, "n", "s", value, 0.95, 1.05, "follows", "w").passed is inside
    assert not between(1, "n", "s", float("nan"), 0.5, 2.0, "follows", "w").passed
    with pytest.raises(ValueError, match=r"^low, high are .*; allowed: finite bounds, on both sides$"):
        between(1, "n", "s", 1.0, 0.5, float("inf"), "follows", "w")


def test_page_of_plots_is_drawn(tmp_path: Path) -> None:
    section = laws.fatigue_laws()
    report = ValidationReport(section.results, section.curves, PEOPLE, SEED)
    validate.plot(report, tmp_path / "page.svg")
    text = (tmp_path / "page.svg").read_text(encoding="utf-8")
    assert text.count('id="axes_') == 8


def test_fit_file_is_complete_and_belongs_to_the_script() -> None:
    for name in EXERCISES:
        kind = exercise(name)
        assert kind.fitted.grind_patience_s == calibrate.FIXED[name].grind_patience_s
        assert kind.fitted.strength_bottom == calibrate.FIXED[name].strength_bottom
        assert len(VELOCITY_TARGETS_M_S[name]) == len(LOADS)
        assert all(q.source for q in kind.quantities.values())


def test_fit_lowers_the_cost_of_a_wrong_shape() -> None:
    """A short search from the seeded start ends nearer the published velocities than a deliberately slow person."""
    kind = exercise("leg_press")
    found = calibrate.fit_shape(kind, kind.fitted.fatigue_scale, restarts=1, evaluations=25)
    cost = calibrate.velocity_cost(kind, kind.fitted.fatigue_scale)
    slow = found.copy()
    slow[0] -= 0.5
    assert cost(found) < 0.2 * cost(slow)


def test_the_fit_writes_where_exercises_are_read() -> None:
    read = resources.files("ebbset.simulators.lifter").joinpath("data/fitted.toml").read_text(encoding="utf-8")
    assert calibrate.FITTED.read_text(encoding="utf-8") == read
