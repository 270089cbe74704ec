"""From an encoder's file and a table of labels to the figures: as told on the truth directly, at the command line.

The simulator lifts and labels; nobody lifted. What `evaluate` says of the truth itself is found by the functions that
it uses for simulated sets, with the sensors that the encoder's file was written through.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ebbset.controller.messages.actions import Output, SendLoad
from ebbset.controller.messages.events import Event
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import StallSection
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.evaluation.estimates import EstimateErrors, compare, estimator_with, what_was_seen
from ebbset.simulators.evaluation.ground_truth import TrueSet
from ebbset.simulators.evaluation.labelled.figures import statistics
from ebbset.simulators.evaluation.labelled.labels import LabelledAttempt, write_labels
from ebbset.simulators.evaluation.labelled.report import PeopleReport, evaluate_labelled
from ebbset.simulators.evaluation.labelled.simulated import ENCODER, WrittenSets, draw_sets, write_labelled_sets
from ebbset.simulators.evaluation.sizing import RIG, order_for, person
from ebbset.simulators.evaluation.stalls import run_rule, summary
from ebbset.simulators.population.strength_test import one_rm_n
from tests.support.commands import run_command

SEED = 7


@pytest.fixture(scope="module")
def items() -> list[TrueSet]:
    return draw_sets(3, 3, "bench_press")


@pytest.fixture(scope="module")
def written(items: list[TrueSet], tmp_path_factory: pytest.TempPathFactory) -> WrittenSets:
    return write_labelled_sets(tmp_path_factory.mktemp("encoder"), items, seed=SEED)


def import_arguments(series: Path, folder: Path, *more: str) -> list[str]:
    columns = ("--time", "time [s]", "--position", "position [mm]", "--length-unit", "mm", "--set", "set")
    who = ("--person-column", "person", "--load-column", "load [kg]", "--exercise", "bench_press", "--simulated")
    return ["import", str(series), *columns, *who, "-o", str(folder), *more]


@pytest.fixture(scope="module")
def recordings(written: WrittenSets, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from ebbset.console import app

    folder = tmp_path_factory.mktemp("imported")
    assert app.run(import_arguments(written.positions, folder)) == 0
    return folder


@pytest.fixture(scope="module")
def report(written: WrittenSets, recordings: Path) -> PeopleReport:
    return evaluate_labelled(recordings, written.labels, seed=1)


def test_the_figures_are_those_of_the_truth(items: list[TrueSet], report: PeopleReport) -> None:
    scores = [run_rule(item, ENCODER, StallSection(), SEED + k) for k, item in enumerate(items)]
    direct, found = summary(scores), statistics(report.judged)
    for name in ("came_through", "stalls"):
        assert found[name] == direct[name] >= 6
    # The encoder's file begins when the handle leaves the dock, so the filter starts there: a call may fall otherwise.
    assert abs(found["false_drops"] - direct["false_drops"]) <= 1
    assert abs(found["called"] - direct["called_in_attempt"] * direct["stalls"]) <= 1.001
    pairs = [
        (mine.fired_s - report.labelled[k].attempts[0].start_s, true.fired_s - item.attempts[0].start_s)
        for k, item in enumerate(items)
        for mine, true in zip(report.judged[k].score.rows, scores[k].rows, strict=True)
        if true.stalled and np.isfinite(true.fired_s) and np.isfinite(mine.fired_s)
    ]
    assert len(pairs) >= 5
    assert np.mean([abs(mine - true) <= 0.02 for mine, true in pairs]) >= 0.8, "the same stalls at the same instants"


def test_estimates_are_as_near_as_evaluate_finds_them(items: list[TrueSet], report: PeopleReport) -> None:
    """Each is held against the truth once a repetition, in the same way; the encoder has no velocity and no force."""
    direct = EstimateErrors()
    for k, item in enumerate(items):
        compare(item.one_rm_n, what_was_seen(item, k), estimator_with("bench_press", None), direct)
    found = statistics(report.judged)
    assert found["one_rm"] == len(direct.fresh) == 3
    assert found["capacity"] == pytest.approx(len(direct.capacity), abs=3)
    assert found["reserve"] == pytest.approx(len(direct.reserve), abs=2)
    for name in ("one_rm_median_error", "capacity_median_error", "budget_median_error"):
        assert found[name] == pytest.approx(direct.summary()[name], abs=0.02), name
    assert found["capacity_in_80"] == pytest.approx(direct.summary()["capacity_in_80"], abs=0.15)


def test_the_report_is_whole_and_can_be_kept(report: PeopleReport) -> None:
    document = json.loads(report.to_json())
    assert document["simulated"] is True
    [overview] = document["tables"]["Labelled sets"]
    assert (overview["people"], overview["sets"], overview["loads_commanded_by_ebbset"]) == (3, 3, 0)
    assert "Agreement of labellers" not in document["tables"]
    for row in (row for title in ("Stalls", "Repetitions", "Estimates") for row in document["tables"][title]):
        assert row["low"] <= row["value"] <= row["high"], row


def test_at_the_terminal_it_says_that_nobody_lifted(
    written: WrittenSets, recordings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run_command(
        capsys, "evaluate", "--recordings", str(recordings), "--labels", str(written.labels), "--seed", "4"
    )
    assert code == 0
    text = " ".join(out.split())
    assert "false drops per completed repetition" in text
    assert "3 people, all simulated. Nobody lifted." in text
    assert "intervals over 3 people are too narrow" in text


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--labels", "LABELS"), 2, "--recordings and --labels go together"),
        (("--recordings", "FOLDER"), 2, "--recordings and --labels go together"),
        (("--recordings", "FOLDER", "--labels", "LABELS", "--short"), 2, "with --seed and --json only"),
        (("--recordings", "EMPTY", "--labels", "LABELS"), 3, "no recordings; allowed: a folder with files that end in"),
        (("--recordings", "FOLDER", "--labels", "OTHER"), 3, "set is 'somebody'; allowed: the nonce, the name or the"),
        (("--recordings", "FOLDER", "--labels", "WRONG"), 3, "row 2: load_n is '0'; allowed: a number above 0"),
    ],
)
def test_what_cannot_be_judged_is_told_in_a_sentence(
    arguments: tuple[str, ...],
    code: int,
    said: str,
    written: WrittenSets,
    recordings: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "empty").mkdir()
    head, first = written.labels.read_text().splitlines()[:2]
    (tmp_path / "other.csv").write_text(f"{head}\n{first.replace('simulated-001', 'somebody')}\n")
    load = first.split(",")[head.split(",").index("load_n")]
    (tmp_path / "wrong.csv").write_text(f"{head}\n{first.replace(load, '0')}\n")
    places = {
        "LABELS": written.labels,
        "FOLDER": recordings,
        "EMPTY": tmp_path / "empty",
        "OTHER": tmp_path / "other.csv",
        "WRONG": tmp_path / "wrong.csv",
    }
    found, out, err = run_command(capsys, "evaluate", *(str(places.get(one, one)) for one in arguments))
    assert found == code, err
    assert said in " ".join((out + err).split())


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--load", "80 kg"), "Give one of --load and --load-column."),
        (("--person", "A"), "Give one of --person and --person-column."),
        (("--delimiter", "."), "--delimiter is one character"),
        (("--length-unit", "m"), "so look at the unit, m"),
        (("--time", "clock"), "column 'clock' is not there; allowed: one of 'set', 'person'"),
        (("--exercise", "bench press"), "exercise is 'bench press'; allowed: letters, digits"),
        (("--delimiter", ";"), "column 'time [s]' is not there"),
    ],
)
def test_an_import_that_cannot_be_is_told_in_a_sentence(
    more: tuple[str, ...], said: str, written: WrittenSets, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short = tmp_path / "short.csv"
    short.write_text("".join(written.positions.read_text().splitlines(keepends=True)[:400]))
    code, out, err = run_command(capsys, *import_arguments(short, tmp_path / "out", *more))
    assert code in (2, 3)
    assert said in " ".join((out + err).split())


def test_a_set_is_not_imported_over_another(
    written: WrittenSets, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short = tmp_path / "short.csv"
    short.write_text("".join(written.positions.read_text().splitlines(keepends=True)[:400]))
    assert run_command(capsys, *import_arguments(short, tmp_path))[0] == 0
    code, _, err = run_command(capsys, *import_arguments(short, tmp_path))
    assert code == 3
    assert "is there already; allowed: a folder without a recording of set 'simulated-001'" in err


def test_a_set_that_ebbset_regulated_is_judged_by_its_decisions(tmp_path: Path) -> None:
    """A drop set in the closed loop, labelled with the plant's own truth: repetitions, steps, 1RM and budget."""
    lifter, _ = person(5, 1)
    order = order_for(lifter, one_rm_n(lifter, RIG), 0.78, "3 repetitions wanted")
    handled: list[tuple[Event, tuple[Output, ...]]] = []
    done = run_set(order, lifter, seed=3, recorder=lambda event, outputs: handled.append((event, outputs)))
    with (tmp_path / "set.mcap").open("wb") as stream:
        writer = RecordingWriter(stream, {})
        for event, outputs in handled:
            writer.add(event, outputs)
        writer.finish({})
    zero_us = next(o.cites_t_us for _, outputs in handled for o in outputs if isinstance(o, SendLoad))
    truths = [one.truth for one in done.true_repetitions]
    labels = [
        LabelledAttempt.model_validate(
            {
                "set": "set.mcap",
                "person": "S1",
                "attempt": k,
                "start_s": truth.start_s,
                "motion_ended_s": None if truth.completed else truth.end_s,
                "end_s": truth.end_s,
                "outcome": "completed" if truth.completed else "failed",
                "load_n": truth.load_n,
                "source": "simulator",
                "labeller": "simulator",
                "clock_offset_s": 1.0 - zero_us / 1e6,
            }
        )
        for k, truth in enumerate(truths, start=1)
    ]
    write_labels(tmp_path / "labels.csv", labels)
    report = evaluate_labelled(tmp_path, tmp_path / "labels.csv", seed=1)
    [judged] = report.judged
    assert (report.commanded, report.simulated_sets) == (1, 1)
    completed = sum(truth.completed for truth in truths)
    counted = sum(record.outcome is RepetitionOutcome.COMPLETED for record in done.repetitions)
    assert judged.repetitions_missed - judged.repetitions_more == completed - counted
    assert judged.repetitions_missed <= 3
    assert report.figures["Repetitions"][0].trials == completed >= 5
    drops = np.array([t_s for t_s, target in done.loads if 0.0 < target[0] < order.load.start_n - 0.05])
    ends = np.array([truth.end_s for truth in truths if truth.completed])
    expected = [int(np.sum((ends >= a) & (ends < b))) for a, b in zip(drops, [*drops[1:], np.inf], strict=True)]
    assert [step.achieved for step in judged.steps] in (expected, expected[:-1])
    assert len(judged.steps) >= 2
