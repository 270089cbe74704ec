"""Studies: balanced orders against a plain count, the hash, blinding, sessions, rehearsal and fidelity."""

from __future__ import annotations

import datetime
import importlib.util
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.recording.recorded_set import LoadStep
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.study_mark import Mark, mark_of
from ebbset.simulators.load_scaling import scaled
from ebbset.study.departures import departures_of
from ebbset.study.design import StudyFile
from ebbset.study.fidelity import fidelity_of, summary_of
from ebbset.study.randomisation import balance_of, crossover, parallel, williams_square
from ebbset.study.rehearsal import rehearse
from ebbset.study.study_file import Study, read_study

EXAMPLES = Path(__file__).parents[2] / "examples"
AUTO = """
name = "Drops by fifths"
exercise = "row"
[load]
start_n = 450.0
floor_n = 200.0
[drop]
policy = "fixed_fraction"
parameters = { fraction = 0.2 }
[stall]
rule = "dwell"
[stop]
max_drops = 2
max_duration_s = 90.0
"""
STRAIGHT = """
name = "Two straight bouts"
exercise = "row"
[load]
start_n = 450.0
floor_n = 200.0
[[bouts]]
repetitions = 5
on_stall = "end"
[[bouts]]
repetitions = 5
rest_before_s = 20.0
on_stall = "end"
"""
STUDY = """
name = "Drops against straight bouts (invented)"
seed = 11
design = "crossover"
start = 2026-12-01
washout_days = 7
reference_one_rm_n = 600.0
[blinding]
hide = ["load", "budget"]
[[conditions]]
code = "A"
label = "drops"
prescription = "auto.toml"
[[conditions]]
code = "B"
label = "straight"
prescription = "straight.toml"
[[participants]]
id = "p01"
one_rm_n = 600.0
[[participants]]
id = "p02"
one_rm_n = 480.0
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    here = tmp_path_factory.mktemp("study")
    (here / "auto.toml").write_text(AUTO)
    (here / "straight.toml").write_text(STRAIGHT)
    (here / "study.toml").write_text(STUDY)
    return here


@pytest.fixture(scope="module")
def study(folder: Path) -> Study:
    return read_study(folder / "study.toml")


@pytest.fixture(scope="module")
def recordings(study: Study, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return list(rehearse(study, tmp_path_factory.mktemp("recordings"), seed=4))


# --- orders, against a count that knows nothing of the construction ------------------------------------------------


@pytest.mark.parametrize("n", range(2, 11))
def test_williams_squares_are_balanced_by_plain_counting(n: int) -> None:
    square = williams_square(n)
    assert len(square) == (n if n % 2 == 0 else 2 * n)
    each = len(square) // n
    for row in square:
        assert sorted(row) == list(range(n))
    for period in range(n):
        column = [row[period] for row in square]
        assert [column.count(c) for c in range(n)] == [each] * n
    follows = [[0] * n for _ in range(n)]
    for row in square:
        for k in range(n - 1):
            follows[row[k]][row[k + 1]] += 1
    assert [follows[a][b] for a in range(n) for b in range(n) if a != b] == [each] * (n * (n - 1))
    assert all(follows[a][a] == 0 for a in range(n))
    assert balance_of(square, n).exact


def test_the_known_square_for_four_treatments() -> None:
    """Williams 1949: for four treatments 1 2 4 3, each next row one further round (from memory)."""
    assert williams_square(4) == ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))


def test_counts_see_an_unbalanced_order() -> None:
    assert not balance_of([(0, 1, 2), (0, 1, 2), (1, 2, 0)], 3).exact
    assert balance_of([(0, 1), (0, 1)], 2).per_period == ((0, 2), (0, 2))


@pytest.mark.parametrize(("people", "conditions", "blocks"), [(12, 4, 1), (12, 3, 2), (8, 2, 3)])
def test_crossover_of_whole_squares_is_exact_and_of_others_nearly(people: int, conditions: int, blocks: int) -> None:
    orders = crossover(people, conditions, blocks, np.random.default_rng(5))
    assert balance_of(orders, conditions, period_length=conditions).exact
    more = crossover(people + 1, conditions, blocks, np.random.default_rng(5))
    assert all(high - low <= 1 for low, high in balance_of(more, conditions).per_period)
    assert all(sorted(order[:conditions]) == list(range(conditions)) for order in more)


@settings(max_examples=60, deadline=None)
@given(people=st.integers(1, 40), conditions=st.integers(2, 7), blocks=st.integers(1, 3), seed=st.integers(0, 10**6))
def test_any_crossover_is_as_even_as_its_numbers_allow(people: int, conditions: int, blocks: int, seed: int) -> None:
    orders = crossover(people, conditions, blocks, np.random.default_rng(seed))
    assert len(orders) == people
    for order in orders:
        for begin in range(0, len(order), conditions):
            assert sorted(order[begin : begin + conditions]) == list(range(conditions))
    rows = len(williams_square(conditions))
    for block in range(blocks):
        used = Counter(order[block * conditions : (block + 1) * conditions] for order in orders)
        counts = [*used.values(), *[0] * (rows - len(used))]
        assert max(counts) - min(counts) <= 1


def test_seeds_decide_and_nothing_else_does() -> None:
    one, same, other = (crossover(12, 3, 1, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert one == same
    assert one != other


def test_parallel_groups_differ_by_one_at_most_and_are_not_foreseeable() -> None:
    firsts = set()
    for seed in range(40):
        orders = parallel(11, 2, 3, np.random.default_rng(seed))
        groups = [order[0] for order in orders]
        assert abs(groups.count(0) - groups.count(1)) <= 1
        assert all(len(set(order)) == 1 and len(order) == 3 for order in orders)
        firsts.add(tuple(groups))
    assert len(firsts) > 20


# --- file, hash, sessions -----------------------------------------------------------------------------------------


def test_the_hash_covers_the_file_and_every_prescription(folder: Path, study: Study, tmp_path: Path) -> None:
    assert read_study(folder / "study.toml").hash == study.hash
    for name, old, new in (
        ("study.toml", "washout_days = 7", "washout_days = 6"),
        ("auto.toml", "fraction = 0.2", "fraction = 0.25"),
    ):
        for file in folder.iterdir():
            (tmp_path / file.name).write_text(file.read_text())
        (tmp_path / name).write_text((folder / name).read_text().replace(old, new))
        assert read_study(tmp_path / "study.toml").hash != study.hash


def test_a_session_is_scaled_marked_and_blinded(study: Study) -> None:
    session = next(s for s in study.schedule if s.participant == "p02" and s.condition == "A")
    order = study.order_of(session)
    assert order.load.start_n == pytest.approx(450.0 * 480.0 / 600.0)
    assert order.load.floor_n == pytest.approx(160.0)
    assert mark_of(order.notes) == Mark(study.hash, "p02", session.period, frozenset({"load", "budget"}))
    assert "drops" not in order.to_toml().lower().replace("max_drops", "")
    told = study.file.model_copy(update={"blinding": study.file.blinding.model_copy(update={"condition": False})})
    assert order.name == f"Session {session.period} of p02"
    assert replace(study, file=told).order_of(session).name.endswith("drops")


def test_sessions_keep_the_washout(study: Study) -> None:
    days = [s.earliest for s in study.schedule if s.participant == "p01"]
    assert days == [datetime.date(2026, 12, 1), datetime.date(2026, 12, 8)]
    assert {s.condition for s in study.schedule if s.period == 1} == {"A", "B"}


def test_no_mark_in_ordinary_notes() -> None:
    assert mark_of("study of rows; felt good") is None


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('id = "p02"', 'id = "p01"', "p01"),
        ('code = "B"', 'code = "A"', "conditions.code"),
        ("one_rm_n = 480.0", "", "participants.one_rm_n"),
        ('design = "crossover"', 'design = "latin"', "design"),
        ("washout_days = 7", "washout_days = -1", "washout_days"),
        ('hide = ["load", "budget"]', 'hide = ["weather"]', "blinding.hide.0"),
        ('"auto.toml"', '"../auto.toml"', "conditions.0.prescription"),
    ],
)
def test_a_bad_study_file_is_reported_by_field(folder: Path, tmp_path: Path, old: str, new: str, named: str) -> None:
    for name in ("auto.toml", "straight.toml"):
        (tmp_path / name).write_text((folder / name).read_text())
    (tmp_path / "study.toml").write_text(STUDY.replace(old, new))
    with pytest.raises(BadDocumentError, match=named):
        read_study(tmp_path / "study.toml")


def test_study_files_need_two_conditions() -> None:
    with pytest.raises(ValueError, match="conditions"):
        StudyFile.model_validate(
            {"name": "x", "seed": 1, "design": "parallel", "start": "2026-12-01", "washout_days": 0,
             "conditions": [], "participants": [{"id": "a"}, {"id": "b"}]}
        )  # fmt: skip


def test_scaling_moves_loads_and_nothing_else(study: Study) -> None:
    base = study.prescriptions["B"]
    half = scaled(base, 0.5)
    assert half.load.start_n == base.load.start_n / 2
    assert half.model_copy(update={"load": base.load}) == base
    with pytest.raises(ValueError, match="factor"):
        scaled(base, 0.0)


# --- rehearsal and fidelity ---------------------------------------------------------------------------------------


def test_a_rehearsed_study_is_faithful(study: Study, recordings: list[Path]) -> None:
    assert len(recordings) == len(study.schedule) == 4
    sets = [item for path in recordings for item in read_source(path).sets]
    assert departures_of(sets, study) == []
    found = [fidelity_of(item, study) for item in sets]
    assert all(item.departures == () for item in found)
    assert {(item.participant, item.period): item.condition for item in found} == {
        (s.participant, s.period): s.condition for s in study.schedule
    }
    by_kind = {summary.what: summary for summary in summary_of(found)}
    assert by_kind["start load commanded"].worst == 0.0
    assert abs(by_kind["start load applied"].worst) < 1.0
    rests = by_kind["rest"]
    assert rests.count == 2
    assert 0.0 <= rests.median < 5_000.0
    assert 0.0 <= by_kind["drop carried out"].median < 300.0
    assert "load under the floor" not in by_kind
    assert by_kind["stall before the drop"].count == by_kind["drop carried out"].count > 0
    assert abs(by_kind["stall before the drop"].median) < 200.0


def test_deviations_are_seen(study: Study, recordings: list[Path]) -> None:
    sets = [item for path in recordings for item in read_source(path).sets]
    first = sets[0]
    shifted = replace(
        first,
        steps=(replace(first.steps[0], target_n=(first.steps[0].target_n[0] - 7.0,)), *first.steps[1:]),
        begun_at=datetime.datetime(2026, 11, 1, tzinfo=datetime.UTC),
        prescription=first.prescription.model_copy(update={"units": "lb"}),
    )
    found = fidelity_of(shifted, study)
    assert found.deviations[0].deviation == pytest.approx(-7.0)
    assert any("before its earliest day" in text for text in found.departures)
    assert any("prescription was changed" in text for text in found.departures)
    low = replace(first, steps=(*first.steps, LoadStep(t_s=99.0, target_n=(first.prescription.load.floor_n - 5.0,))))
    assert any(d.what == "load under the floor" and d.deviation == -5.0 for d in fidelity_of(low, study).deviations)
    assert any("no recording" in text for text in departures_of(sets[1:], study))


def test_a_set_of_another_study_is_reported(study: Study, recordings: list[Path]) -> None:
    other = replace(study, hash="0" * 64)
    item = read_source(recordings[0]).sets[0]
    assert "another version of the study" in fidelity_of(item, other).departures[0]
    assert fidelity_of(item, None).departures == ()


# --- the analysis -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("effect_m", [-0.03, 0.0])
def test_the_mixed_model_of_the_example_recovers_the_true_effect(effect_m: float, tmp_path: Path) -> None:
    """statsmodels on the exported tables; the truth was put into the simulated lifters."""
    spec = importlib.util.spec_from_file_location("mixed_model", EXAMPLES / "mixed_model.py")
    assert spec is not None
    assert spec.loader is not None
    example = importlib.util.module_from_spec(spec)
    sys.modules["mixed_model"] = example
    spec.loader.exec_module(example)
    found = example.run(effect_m, 1, tmp_path)
    assert found.sets == 4 * example.PARTICIPANTS
    assert found.low_m < effect_m < found.high_m
    assert found.high_m - found.low_m < 0.015
    assert (found.p_value < 0.001) is (effect_m != 0.0)
