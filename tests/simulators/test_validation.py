"""The table of checks in its short form: every judged figure inside what its source allows.

The sources, tolerances and errors stand in the rows themselves; ``ebbset validate`` prints them all.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from campaigns.fits import calibrate
from ebbset.simulators.lifter.exercises import EXERCISES, exercise
from ebbset.simulators.validation import laws, validate
from ebbset.simulators.validation.comparison import Section, ValidationReport, between, within
from ebbset.simulators.validation.published_targets import LOADS, VELOCITY_TARGETS_M_S

PEOPLE, SEED = validate.PEOPLE_SHORT, 0
JUDGED = [name for name in validate.sections(PEOPLE, SEED) if name != "6 known limits"]


@pytest.mark.parametrize("name", JUDGED)
def test_simulated_figures_are_inside_what_is_published(name: str) -> None:
    results = validate.sections(PEOPLE, SEED)[name]().results
    judged = [r for r in results if r.passed is not None]
    assert judged
    assert all(r.source and r.published and r.simulated and r.error for r in results)
    outside = [
        f"{r.name}: published {r.published}, simulated {r.simulated} ({r.error})" for r in judged if not r.passed
    ]
    assert not outside, "\n".join(outside)


def test_report_gathers_all_sections_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    good, bad = within(3, "b", "s", 1.0, 1.0, 0.1, "unseen"), within(1, "a", "s", 2.0, 1.0, 0.1, "fitted")
    monkeypatch.setattr(validate, "sections", lambda *_: {"x": lambda: Section((good,)), "y": lambda: Section((bad,))})
    report = validate.run(short=True, seed=7)
    assert report.results == (bad, good)
    assert validate.checks(short=True) == [bad, good]
    assert (report.people, report.seed, report.passed) == (PEOPLE, 7, False)


def test_known_limits_are_shown_with_their_size_and_not_judged() -> None:
    """Burnley 2009: 60 all-out contractions end at 29.5 % of the first; both models end above, 3CC-r by some 20 points
    (36 before strain), the critical force by some 46."""
    results = laws.limits().results
    assert {(r.fitted_or_unseen, r.passed) for r in results} == {("limit", None)}
    all_out = [float(r.error.split()[0]) for r in results if "all-out" in r.name]
    assert len(all_out) == 2
    assert 12.0 < all_out[0] < 28.0
    assert 38.0 < all_out[1] < 54.0


def test_rows_can_fail() -> None:
    assert not within(1, "n", "s", 1.06, 1.0, 0.05, "fitted").passed
    assert within(1, "n", "s", 0.96, 1.0, 0.05, "fitted").passed
    assert not between(1, "n", "s", 0.49, 0.5, 2.0, "unseen").passed
    assert not between(1, "n", "s", float("nan"), 0.5, 2.0, "unseen").passed


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
