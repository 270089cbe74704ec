"""Any encoder's CSV: units, marks and columns as said, rates as the contract allows, and errors that say where."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from ebbset.coaching.privacy import Kind, find
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.replay import Verdict, replay_file
from ebbset.models.contract.problems import UnusableFileError
from ebbset.simulators.evaluation.labelled.imported import file_stem, frames_of, imported_set, write_imported
from ebbset.simulators.evaluation.labelled.positions import (
    ColumnMap,
    PositionSeries,
    parse_series,
    read_series,
    resampled,
)

MAP = ColumnMap(time="t", position="x", load_n=500.0, lifter="P1")


def waves(rate_hz: float, seconds: float = 6.0, *, name: str = "a", jitter_s: float = 0.0) -> PositionSeries:
    """A handle that rises and falls by 0.5 m every 3 s."""
    t = 10.0 + np.arange(0.0, seconds, 1.0 / rate_hz)
    t += np.random.default_rng(1).uniform(-jitter_s, jitter_s, len(t))
    return PositionSeries(name, "P1", t, 0.25 - 0.25 * np.cos(2.0 * math.pi * t / 3.0), np.full(len(t), 500.0))


def table(series: PositionSeries, *, scale: float = 1.0) -> str:
    return "t,x\n" + "".join(f"{t:.5f},{scale * x:.6f}\n" for t, x in zip(series.t_s, series.position_m, strict=True))


def test_units_marks_and_direction_are_as_said() -> None:
    plain = waves(100.0)
    [one] = parse_series(table(plain), MAP)
    np.testing.assert_allclose(one.position_m, plain.position_m, atol=1e-6)
    lines = [
        f"{1000.0 * t:.2f};P7;{-100.0 * x:.4f};51".replace(".", ",")
        for t, x in zip(plain.t_s, plain.position_m, strict=True)
    ]
    german = ColumnMap(
        time="Zeit [ms]",
        position="Weg [cm]",
        load="Last [kg]",
        person="Wer",
        time_unit="ms",
        length_unit="cm",
        delimiter=";",
        decimal=",",
        falling=True,
    )
    [other] = parse_series("Zeit [ms];Wer;Weg [cm];Last [kg]\n" + "\n".join(lines) + "\n", german, otherwise="b")
    np.testing.assert_allclose(other.t_s, one.t_s, atol=1e-5)
    np.testing.assert_allclose(other.position_m, one.position_m, atol=1e-5)
    assert other.load_n[0] == pytest.approx(51 * 9.80665)
    assert (other.name, other.person) == ("b", "P7")


def test_rows_of_several_sets_may_alternate() -> None:
    one, two = waves(50.0), waves(50.0)
    rows = "".join(
        f"a,{t},{x}\nb,{t},{2 * x}\n" for t, x in zip(one.t_s.tolist(), two.position_m.tolist(), strict=True)
    )
    found = parse_series("s,t,x\n" + rows, ColumnMap(time="t", position="x", set="s", load_n=1.0))
    assert [series.name for series in found] == ["a", "b"]
    np.testing.assert_allclose(found[1].position_m, 2.0 * found[0].position_m)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("10.50000", "9.5", "row 52: t is '9.5'; allowed: later than in row 51, within a set"),
        ("10.50000,", "10.50000,abc", "row 52: x is 'abc"),
        ("10.50000,", "10.50000,,", "row 52: 3 cells; allowed: 2"),
        ("t,x", "t,y", "column 'x' is not there; allowed: one of 't', 'y'"),
        ("t,x", "x,x", "column 't' is not there"),
    ],
)
def test_an_error_names_row_column_value_and_what_is_allowed(old: str, new: str, said: str) -> None:
    text = table(waves(100.0))
    assert old in text
    with pytest.raises(ValueError, match="allowed") as refused:
        parse_series(text.replace(old, new, 1), MAP)
    assert said in str(refused.value)


def test_a_decimal_point_where_commas_were_said_is_no_number() -> None:
    commas = ColumnMap(time="t", position="x", load_n=1.0, delimiter=";", decimal=",")
    with pytest.raises(ValueError, match=r"row 2: t is '10.00000'; allowed: a number with a decimal comma"):
        parse_series(table(waves(100.0)).replace(",", ";"), commas)


def test_a_wrong_unit_is_seen_by_how_far_the_handle_moves(tmp_path: Path) -> None:
    (tmp_path / "mm.csv").write_text(table(waves(100.0), scale=1000.0))
    with pytest.raises(UnusableFileError, match=r"mm.csv: set 'mm': x moves by 500 m in all; .* unit, m$"):
        read_series(tmp_path / "mm.csv", MAP)
    (tmp_path / "short.csv").write_text("t,x\n1,0\n2,1\n")
    with pytest.raises(UnusableFileError, match="2 samples; allowed: at least 20"):
        read_series(tmp_path / "short.csv", MAP)


# --- rates --------------------------------------------------------------------------------------------------------


def test_a_series_at_a_usual_rate_stays_as_it_is() -> None:
    for rate_hz in (50.0, 200.0, 1000.0):
        series = waves(rate_hz)
        assert resampled(series) is series


@pytest.mark.parametrize(("rate_hz", "late_s"), [(2000.0, 0.005), (120.0, 0.0)])
def test_another_rate_gives_the_same_movement(rate_hz: float, late_s: float) -> None:
    """From a faster series each sample is the mean over the 10 ms before it, which is 5 ms late."""
    found = resampled(waves(rate_hz, jitter_s=1e-5), rate_hz=100.0)
    assert found.rate_hz == pytest.approx(100.0)
    expected = 0.25 - 0.25 * np.cos(2.0 * math.pi * (found.t_s - late_s) / 3.0)
    np.testing.assert_allclose(found.position_m, expected, atol=2e-4)


def test_noise_beyond_the_new_rate_is_not_folded_into_it() -> None:
    """A tone of 100 Hz sampled at 100 Hz would look like an offset; the mean over its whole period is nothing."""
    series = waves(2000.0)
    shaken = PositionSeries(
        "a", "P1", series.t_s, series.position_m + 0.01 * np.cos(2e2 * math.pi * series.t_s), series.load_n
    )
    still, moved = (resampled(one, rate_hz=100.0).position_m for one in (series, shaken))
    assert np.abs(moved - still).max() < 1e-4


def test_an_encoder_that_writes_only_when_it_moves_is_held_not_joined_by_lines() -> None:
    t = np.array([*np.arange(0.0, 1.0, 0.02), *np.arange(3.0, 4.0, 0.02)])
    x = np.array([*np.linspace(0.0, 0.4, 50), *np.linspace(0.4, 0.8, 50)])
    series = PositionSeries("a", "P1", t, x, np.full(100, 1.0))
    with pytest.raises(ValueError, match=r"set 'a': nothing for 2.02 s after 0.98 s; allowed: at most 0.25 s"):
        resampled(series)
    held = resampled(series, fill="hold")
    still = (held.t_s > 1.0) & (held.t_s < 2.99)
    assert held.rate_hz == pytest.approx(100.0)
    assert np.ptp(held.position_m[still]) == 0.0
    with pytest.raises(ValueError, match=r"rate_hz is 5\.0; allowed: 20 to 1000"):
        resampled(series, rate_hz=5.0)


# --- recordings ---------------------------------------------------------------------------------------------------


def test_a_recording_says_whose_loads_these_were_and_replays(tmp_path: Path) -> None:
    series = waves(100.0, name="Bench 80 %, set 1")
    series.load_n[300:] = 400.0
    path = write_imported(series, tmp_path, exercise="bench_press", facts={"imported_from": "x.csv"})
    recording = read_recording(path)
    assert recording.metadata["loads"] == "not commanded by ebbset"
    assert not recording.simulated
    assert replay_file(path, {}).verdict is Verdict.SAME
    found = imported_set(recording, name=path.name)
    assert found is not None
    facts = found.facts
    assert (facts.set, facts.lifter, facts.exercise, facts.zero_s) == (series.name, "P1", "bench_press", 10.0)
    t = np.array([us for frame in found.frames for us in frame.t_us]) / 1e6 + facts.zero_s
    x = np.array([value for frame in found.frames for value in frame.position_m[0]])
    np.testing.assert_allclose(t, series.t_s, atol=1e-6)
    np.testing.assert_allclose(np.diff(x), np.diff(series.position_m), atol=1e-9)
    assert {frame.applied_n for frame in found.frames if frame.t_us[-1] >= 3_000_000} == {(400.0,)}
    with pytest.raises(FileExistsError):
        write_imported(series, tmp_path, exercise="bench_press", facts={})


def test_whose_it_is_is_found_by_a_search_for_the_lifter(tmp_path: Path) -> None:
    path = write_imported(waves(100.0), tmp_path, exercise="row", facts={})
    assert [(one.path.name, one.kind) for one in find("P1", [tmp_path]).found] == [(path.name, Kind.RECORDING)]
    assert find("P2", [tmp_path]).found == ()


def test_facts_that_no_import_writes_are_refused_in_a_sentence(tmp_path: Path) -> None:
    recording = read_recording(write_imported(waves(100.0), tmp_path, exercise="row", facts={}))
    for text, said in (("", "JSON"), ('{"set": "a"}', "lifter is missing"), ('{"set": "", "lifter": 1}', "set is ''")):
        wrong = dataclasses.replace(recording, metadata=recording.metadata | {"imported": text})
        with pytest.raises(UnusableFileError, match=said):
            imported_set(wrong, name="x.mcap")


def test_frames_are_such_as_a_rig_may_send() -> None:
    for frame in frames_of(waves(100.0)):
        assert 1 <= len(frame.t_us) <= 5
        assert all(b > a for a, b in zip(frame.t_us, frame.t_us[1:], strict=False))
        assert all(-1.0 <= x <= 6.0 for x in frame.position_m[0])


def test_two_sets_never_share_a_file_name() -> None:
    names = ["a b", "a/b", "a-b", "..", "../a", "ä", "a" * 100, "a" * 101]
    stems = [file_stem(name) for name in names]
    assert len(set(stems)) == len(names)
    assert all("/" not in stem and not stem.startswith(".") for stem in stems)
    assert file_stem("a-b") == "a-b"
