"""Labelled sets without people: the simulator lifts and labels, for trying the whole way before anybody is measured.

A rig's encoder sees each set at 100 Hz; what it saw goes into one CSV as any encoder would export it, the truth into a
table of labels, each on a clock of its own. Everything is simulated, and both files say so.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from ebbset.models.contract.units import from_newtons
from ebbset.simulators.evaluation.detector_runs import TOP_SHARE, WHOLE_SHARE, TelemetryQuality
from ebbset.simulators.evaluation.ground_truth import Attempt, Behaviour, TrueSet, true_set
from ebbset.simulators.evaluation.labelled.labels import AttemptOutcome, LabelledAttempt, LabelSource, write_labels
from ebbset.simulators.evaluation.labelled.positions import ColumnMap
from ebbset.simulators.rig.sensors import SensorParameters, Sensors

ENCODER: Final = TelemetryQuality(SensorParameters(), velocity=False, force=False)
"""Positions only, in steps of 0.1 mm at 100 Hz."""
TO_FAILURE: Final[tuple[Behaviour, ...]] = ("maximal", "sticking_region", "talk", "jerking")
COLUMNS: Final = ("set", "person", "time [s]", "position [mm]", "load [kg]")
COLUMN_MAP: Final = ColumnMap(
    set=COLUMNS[0], person=COLUMNS[1], time=COLUMNS[2], position=COLUMNS[3], load=COLUMNS[4], length_unit="mm"
)


@dataclass(frozen=True, slots=True)
class WrittenSets:
    """Where labelled sets were written."""

    positions: Path
    labels: Path
    sets: int


def draw_sets(seed: int, people: int, exercise: str) -> list[TrueSet]:
    """One set to failure of each of some simulated people.

    Args:
        seed: of all randomness.
        people: how many.
        exercise: what is lifted.
    """
    return [
        true_set(np.random.default_rng([seed, k, 17]), TO_FAILURE[k % len(TO_FAILURE)], exercise) for k in range(people)
    ]


def write_labelled_sets(folder: Path, items: Sequence[TrueSet], *, seed: int) -> WrittenSets:
    """Write ``positions.csv`` and ``labels.csv``.

    Args:
        folder: made if it is not there.
        items: sets of known truth, one a person.
        seed: of the encoder's noise.

    Raises:
        OSError: a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    positions, labels = folder / "positions.csv", folder / "labels.csv"
    rows: list[LabelledAttempt] = []
    with positions.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for k, item in enumerate(items):
            name, person = f"simulated-{k + 1:03d}", f"S{k + 1:03d}"
            encoder = Sensors(ENCODER.sensors, cables=1, rng=np.random.default_rng(seed + k))
            for t_s, x_m, load_n in _encoder(item, encoder):
                load_kg = from_newtons(load_n, "kg")
                writer.writerow([name, person, f"{t_s:.4f}", f"{1000.0 * x_m:.1f}", f"{load_kg:.6g}"])
            offset_s = encoder.clock_us(0.0) / 1e6
            rows += [_label(item, n, name=name, person=person, offset_s=offset_s) for n in range(len(item.attempts))]
    write_labels(labels, rows)
    return WrittenSets(positions, labels, len(items))


def _encoder(item: TrueSet, encoder: Sensors) -> Iterator[tuple[float, float, float]]:
    """Time by the encoder's clock, position and load, from when the handle is first out of the dock."""
    stride = round(1000.0 / ENCODER.sensors.sample_rate_hz)
    keep = slice(stride - 1, None, stride)
    truth = np.stack([item.t_s, item.position_m, item.velocity_m_s, item.tension_n], axis=1)[keep]
    load_n, docked = item.applied_n[keep], item.docked[keep]
    first = int(np.argmin(docked))
    for begin in range(first, len(truth), 1000):
        reading = encoder.read(np.ascontiguousarray(truth[begin : begin + 1000, None, :]))
        if reading is not None:
            loads = load_n[begin : begin + 1000]
            for t_us, x_m, load in zip(reading.t_us, reading.position_m[0], loads, strict=True):
                yield t_us / 1e6, float(x_m), float(load)


def outcome_of(attempt: Attempt) -> AttemptOutcome:
    """What a labeller who knows everything would write.

    Args:
        attempt: with its truth.
    """
    if attempt.stalled:
        # So near the top a failed attempt is a repetition by some definitions and none by others.
        return AttemptOutcome.FAILED if attempt.end_share <= TOP_SHARE else AttemptOutcome.UNCLEAR
    return AttemptOutcome.COMPLETED if attempt.end_share >= WHOLE_SHARE else AttemptOutcome.CUT_SHORT


def _label(item: TrueSet, number: int, *, name: str, person: str, offset_s: float) -> LabelledAttempt:
    attempt = item.attempts[number]
    outcome = outcome_of(attempt)
    sample = min(len(item.capacity) - 1, max(0, int(np.searchsorted(item.t_s, attempt.end_s - 0.05))) // 5)
    ended_s = min(max(attempt.motion_ended_s, attempt.start_s), attempt.end_s)
    return LabelledAttempt(
        set=name,
        person=person,
        attempt=number + 1,
        start_s=round(attempt.start_s, 4),
        motion_ended_s=round(ended_s, 4) if outcome is AttemptOutcome.FAILED else None,
        end_s=round(attempt.end_s, 4),
        outcome=outcome,
        load_n=round(attempt.load_n, 3),
        one_rm_n=round(item.one_rm_n, 3),
        capacity_n=round(item.one_rm_n * float(item.capacity[sample]), 3),
        source=LabelSource.SIMULATOR,
        labeller="simulator",
        clock_offset_s=offset_s,
    )
