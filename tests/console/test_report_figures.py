"""The figures of a report lie where the numbers say."""

from __future__ import annotations

import dataclasses
import re
from statistics import NormalDist

import numpy as np
import pytest
from matplotlib.ticker import MaxNLocator

from ebbset.console.report import figures
from ebbset.console.report.svg import nice_ticks, thin_out
from ebbset.controller.recording.recorded_set import LoadStep, RecordedSet
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL


def test_no_line_of_the_grid_goes_through_the_loads_over_a_figure(item: RecordedSet) -> None:
    """What is drawn later lies on top: the loads, which have a border of paper, come after every line of the grid."""
    drawing = figures.velocities(item, figures.WIDE, "k")
    first_label = next(
        k for k, mark in enumerate(drawing.marks) if formatting.load(item.steps[0].target_n[0], "kg") in mark
    )
    grid = [k for k, mark in enumerate(drawing.marks) if 'class="grid"' in mark]
    assert grid
    assert max(grid) < first_label


@pytest.mark.parametrize("width", [figures.WIDE, figures.NARROW])
def test_a_long_wait_between_arming_and_start_stays_inside_the_trace(item: RecordedSet, width: float) -> None:
    waited = dataclasses.replace(item, steps=(LoadStep(t_s=-60.0, target_n=(0.0,)), *item.steps))
    marks = "".join(figures.trace(waited, width, "k").marks)
    (commanded,) = re.findall(r'<path class="load cable0" d="([^"]+)"', marks)
    across = [float(x) for x in re.findall(r"(-?[\d.]+)[ ,]-?[\d.]+", commanded)]
    left = min(float(x) for x in re.findall(r'class="grid" x1="(-?[\d.]+)"', marks))
    assert len(across) > 4
    assert min(across) == left
    assert max(across) <= width


def test_the_loss_has_an_interval_of_its_own_on_the_page(item: RecordedSet, page: str) -> None:
    """Stems of the lower panel against the records: 80 % of a normal distribution, in the scale of the marks."""
    records = [r for r in item.repetitions if r.budget_spent is not None]
    assert all(r.budget_sd is not None and r.budget_sd > 0.0 for r in records)
    marks = "".join(figures.capacity(item, figures.WIDE, "k").marks)
    dots = [float(y) for y in re.findall(r'class="point-capacity dot" cx="[\d.]+" cy="([\d.]+)"', marks)]
    stems = [
        (float(a), float(b)) for a, b in re.findall(r'class="stem" x1="[\d.]+" y1="([\d.]+)".*?y2="([\d.]+)"', marks)
    ]
    assert len(dots) == len(stems) == len(records)
    spent, sds = [r.budget_spent or 0.0 for r in records], [r.budget_sd or 0.0 for r in records]
    fresh_n = item.fresh_n()
    assert fresh_n is not None
    pixels = (dots[0] - dots[-1]) / (spent[-1] - spent[0])
    z = NormalDist().inv_cdf(0.9)
    for lost, sd, (low, high) in zip(spent, sds, stems, strict=True):
        clipped = min(2 * z * sd, lost + z * sd)
        assert low - high == pytest.approx(clipped * pixels, abs=0.25)
    own = [z * sd for sd in sds]
    wider = [z * (r.capacity_sd_n or 0.0) / fresh_n for r in records]
    assert own != pytest.approx(wider, rel=0.05), "the doubt about the 1RM is in the capacity only"
    assert f"{100 * spent[-1]:.0f} % ± {100 * own[-1]:.0f} %" in page.replace("\u202f", " ").replace("\xa0", " ")


def test_points_of_a_figure_lie_where_the_numbers_say(item: RecordedSet) -> None:
    drawing = figures.velocities(item, figures.WIDE, "k")
    marks = re.findall(r'class="point-velocity dot" cx="([\d.]+)" cy="([\d.]+)"', "".join(drawing.marks))
    records = [r for r in item.repetitions if r.outcome.value == "completed"]
    assert len(marks) == len(records)
    heights = [float(y) for _, y in marks]
    fastest = max(range(len(records)), key=lambda k: records[k].mean_velocity_m_s)
    assert heights[fastest] == min(heights)
    # Two points give the scale; all others must lie on it (coordinates are rounded to a tenth).
    slowest = min(range(len(records)), key=lambda k: records[k].mean_velocity_m_s)
    v_a, v_b = records[fastest].mean_velocity_m_s, records[slowest].mean_velocity_m_s
    slope = (heights[slowest] - heights[fastest]) / (v_b - v_a)
    for height, record in zip(heights, records, strict=True):
        assert height == pytest.approx(heights[fastest] + slope * (record.mean_velocity_m_s - v_a), abs=0.11)


def test_the_band_is_the_quantile_of_the_normal_distribution() -> None:
    assert NormalDist().inv_cdf(0.9) == pytest.approx(Z_INTERVAL, abs=5e-5)


@pytest.mark.parametrize(("low", "high"), [(0, 1), (0, 0.43), (-0.6, 0.8), (0, 87.3), (0, 1234), (0.2, 0.21)])
def test_ticks_are_round_and_as_dense_as_those_of_matplotlib(low: float, high: float) -> None:
    ours = nice_ticks(low, high, 5)
    theirs = MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    theirs = [t for t in theirs if low - 1e-12 <= t <= high + 1e-12]
    assert ours == pytest.approx(theirs)


def test_thinning_keeps_the_extremes_of_every_bucket() -> None:
    rng = np.random.default_rng(5)
    t, y = np.arange(10_000) / 100.0, rng.normal(size=10_000)
    y[4321] = 9.0
    y[777] = -9.0
    thin_t, thin_y = thin_out(t, y, 500)
    assert thin_t.size <= 1000
    assert np.all(np.diff(thin_t) > 0)
    for piece in np.split(y, 500):
        assert piece.max() in thin_y
        assert piece.min() in thin_y
    assert set(zip(thin_t.tolist(), thin_y.tolist(), strict=True)) <= set(zip(t.tolist(), y.tolist(), strict=True))
