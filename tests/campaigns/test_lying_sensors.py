"""The short form of the campaign on lying sensors: honest rigs are left alone, large lies are told, tables add up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from campaigns.lying_sensors import __main__ as command
from campaigns.lying_sensors.campaign import LATEST_S, Item, Row, cell_of, drive, items
from campaigns.lying_sensors.lies import Liar, Lie, LyingPlant
from campaigns.lying_sensors.population import draw
from campaigns.lying_sensors.targets import missed_targets
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters

SEED = 11
ROW = Row(
    item=Item(liar=Liar.CELL_STEP, bias_n=240.0, index=0, seed=1),
    load_n=400.0,
    repetitions=3,
    reason="sensors_disagree",
    quantity="force_difference_over_time_n",
    value_n=240.0,
    from_s=8.0,
    ended_s=9.5,
    breaches=0,
)
GONE_ON = replace(ROW, reason="duration_spent", quantity=None, value_n=None, ended_s=60.0)


def test_honest_sets_are_never_ended_for_force_against_load() -> None:
    rows = [drive(item) for item in items(honest=12, each=0, seed=SEED)]
    assert missed_targets(rows) == []
    assert sum(row.repetitions for row in rows) > 60
    assert len({row.load_n for row in rows}) > 2


@pytest.mark.parametrize("liar", Liar)
@pytest.mark.parametrize("bias_n", [-240.0, 240.0])
def test_a_large_lie_is_told_in_time(liar: Liar, bias_n: float) -> None:
    rows = [drive(Item(liar=liar, bias_n=bias_n, index=0, seed=SEED))]
    assert missed_targets(rows) == []
    assert rows[0].told


def test_a_set_is_the_same_whenever_it_is_run() -> None:
    item = Item(liar=Liar.DRIVE_CREEP, bias_n=120.0, index=1, seed=SEED)
    assert drive(item) == drive(item)


def test_a_creep_is_a_stair_that_ends_at_the_bias() -> None:
    lie = Lie(liar=Liar.CELL_CREEP, bias_n=-90.0, from_s=6.0)
    faults = lie.faults()
    assert sum(fault.offset for fault in faults) == pytest.approx(-90.0)
    assert [faults[0].from_s, faults[-1].from_s] == pytest.approx([6.25, 10.5])
    assert lie.drive_n(20.0) == 0.0
    drive_lie = Lie(liar=Liar.DRIVE_CREEP, bias_n=-90.0, from_s=6.0)
    assert drive_lie.faults() == ()
    assert [drive_lie.drive_n(t) for t in (5.0, 7.0, 30.0)] == [0.0, -20.0, -90.0]


def test_the_plant_pulls_otherwise_than_the_rig_believes() -> None:
    rig = RigParameters(n_cables=2)
    plant = LyingPlant(
        rig,
        exercise("row").mean_lifter(),
        np.random.default_rng(0),
        0.001,
        part=0.1,
        drive_n=lambda t: 50.0 if t >= 2.0 else 0.0,
    )
    out = np.zeros((100, 2, 4))
    plant.command((200.0, 200.0), 400.0)
    for _ in range(15):
        plant.run_frame(100, 1, out)
    assert plant.applied_n == (200.0, 200.0)
    assert out[-1, :, 3] == pytest.approx([220.0, 220.0], abs=2.0)
    for _ in range(15):
        plant.run_frame(100, 1, out)
    assert plant.applied_n == (200.0, 200.0)
    assert out[-1, :, 3] == pytest.approx([270.0, 220.0], abs=2.0)
    plant.command((0.0, 0.0), 1_000.0)
    for _ in range(10):
        plant.run_frame(100, 1, out)
    assert plant.applied_n == (0.0, 0.0)
    assert out[-1, :, 3] == pytest.approx([0.0, 0.0], abs=2.0)


def test_every_draw_is_a_set_that_can_be_run_and_they_differ() -> None:
    drawn = [draw(np.random.default_rng(k)) for k in range(30)]
    assert {h.rig.n_cables for h in drawn} == {1, 2}
    assert len({h.sensors.sample_rate_hz for h in drawn}) >= 4
    assert any(h.lifter.concentric_velocity_m_s < 1.0 for h in drawn)
    assert any(h.lifter.concentric_velocity_m_s > 90.0 for h in drawn)


def test_a_cell_of_the_table_counts_every_set_once() -> None:
    early = replace(ROW, ended_s=7.0)
    late = replace(ROW, ended_s=8.0 + LATEST_S + 1.0)
    otherwise = replace(GONE_ON, ended_s=12.0)
    cell = cell_of([ROW, GONE_ON, early, late, otherwise])
    assert (cell.sets, cell.after_s, cell.early, cell.otherwise, cell.missed) == (4, (1.5,), 1, 1, 2)


def test_targets_name_what_is_missed() -> None:
    assert missed_targets([ROW]) == []
    assert "1 of 1 missed" in missed_targets([GONE_ON])[0]
    assert "after 6.0 s" in missed_targets([replace(ROW, ended_s=14.0)])[0]
    assert "before anything lied" in missed_targets([replace(ROW, ended_s=7.0)])[0]
    assert "invariant" in missed_targets([replace(ROW, breaches=1)])[0]
    honest = replace(ROW, item=replace(ROW.item, liar=None, bias_n=0.0), from_s=0.0)
    assert "before anything lied" in missed_targets([honest])[0]


def test_the_command_renews_the_tables_of_its_page_and_leaves_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page.md"
    page.write_text(f"before\n{command.BEGIN}\nstale figures\n{command.END}\nafter\n")
    monkeypatch.setattr("sys.argv", ["campaign", "--honest", "2", "--each", "0", "--write", str(page)])
    assert command.main() == 0
    text = page.read_text()
    assert text.startswith("before\n")
    assert text.endswith("\nafter\n")
    assert "stale figures" not in text
    assert "2 honest sets and 0 with a lie, seed 1." in text
    assert "| all | 2 |" in capsys.readouterr().out


def test_the_page_holds_what_the_command_writes() -> None:
    page = (Path(__file__).parents[2] / "docs" / "force-check.md").read_text()
    written = page.split(command.BEGIN)[1].split(command.END)[0]
    for liar in Liar:
        assert liar.value in written
    sets = int(written.split(" honest sets")[0].split()[-1])
    assert sets >= 1_000
