"""The whole way: recordings and labels in, tables with intervals over people out.

Reads files and puts the parts together; what is judged, and how, is in `watching`, `judging` and `figures`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from ebbset.controller.recording.reader import Recording, describe_missing
from ebbset.controller.recording.recorded_set import recorded_sets
from ebbset.controller.recording.sources import open_recording
from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.models.contract.formatting import plural
from ebbset.models.contract.problems import UnusableFileError
from ebbset.simulators.evaluation.labelled.agreement import Agreement, LabelledSet, agreed_sets, agreement
from ebbset.simulators.evaluation.labelled.figures import (
    ESTIMATES,
    FEW_PEOPLE,
    REPETITIONS,
    STALLS,
    STEPS,
    FigureKind,
    PeopleFigure,
    over_people,
)
from ebbset.simulators.evaluation.labelled.imported import imported_set
from ebbset.simulators.evaluation.labelled.judging import SetJudgement, judge
from ebbset.simulators.evaluation.labelled.labels import AttemptOutcome, LabelSource, read_labels
from ebbset.simulators.evaluation.labelled.watching import WatchedSet, as_decided, by_name, names_of, open_loop

SECTIONS: Final[tuple[tuple[str, tuple[FigureKind, ...]], ...]] = (
    ("Stalls", STALLS),
    ("Repetitions", REPETITIONS),
    ("Repetitions per step", STEPS),
    ("Estimates", ESTIMATES),
)


@dataclass(frozen=True, slots=True)
class PeopleReport:
    """What was judged, and how well ebbset did.

    Attributes:
        labelled: the sets that were judged.
        judged: one for each of them.
        figures: by section, each with its interval.
        by_exercise: some of them by exercise.
        agreement: of the labellers; None where nothing was labelled by two.
        commanded: sets whose loads ebbset commanded.
        simulated_sets: sets that nobody lifted.
        notes: sentences about what is missing or not judged.
    """

    labelled: tuple[LabelledSet, ...]
    judged: tuple[SetJudgement, ...]
    figures: dict[str, list[PeopleFigure]]
    by_exercise: dict[str, list[PeopleFigure]]
    agreement: Agreement | None
    commanded: int
    simulated_sets: int
    notes: tuple[str, ...]

    @property
    def people(self) -> int:
        """How many people."""
        return len({one.person for one in self.judged})

    def tables(self) -> list[tuple[str, list[dict[str, Any]]]]:
        """Titled tables of plain values, in the order to print them."""
        outcomes = [one.outcome for item in self.labelled for one in item.attempts]
        overview = {
            "people": self.people,
            "sets": len(self.judged),
            "loads_commanded_by_ebbset": self.commanded,
            "attempts": len(outcomes),
            **{kind.value: outcomes.count(kind) for kind in AttemptOutcome},
        }
        tables: list[tuple[str, list[dict[str, Any]]]] = [("Labelled sets", [overview])]
        tables += [(title, [_row(one) for one in rows]) for title, rows in self.figures.items() if rows]
        if len(self.by_exercise) > 1:
            rows = [{"exercise": name, **_row(one)} for name, found in self.by_exercise.items() for one in found]
            tables.append(("Stalls by exercise", rows))
        if self.agreement is not None:
            tables.append(("Agreement of labellers", [_agreement_row(self.agreement)]))
        return tables

    def to_json(self) -> str:
        """The tables as JSON; what is not known is null."""
        body = {
            "simulated": self.simulated_sets > 0,
            "simulated_sets": self.simulated_sets,
            "interval": INTERVAL_COVERAGE,
            "tables": dict(self.tables()),
            "notes": list(self.notes),
        }
        return json.dumps(_plain(body), allow_nan=False, ensure_ascii=False, indent=1)


def _row(one: PeopleFigure) -> dict[str, Any]:
    return {"name": one.label, "value": one.value, "low": one.low, "high": one.high, "trials": one.trials}


def _agreement_row(found: Agreement) -> dict[str, Any]:
    low_s, high_s = found.limits_s
    return {
        "attempts_labelled_twice": found.pairs,
        "same_outcome": found.same_outcome,
        "kappa": found.kappa,
        "failures_by_both": found.instants,
        "mean_difference_s": found.mean_difference_s,
        "limits_from_s": low_s,
        "limits_to_s": high_s,
    }


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def evaluate_labelled(
    folder: Path, labels: Path, *, seed: int, progress: Callable[[str], None] | None = None
) -> PeopleReport:
    """Judge every labelled set of a folder of recordings.

    Args:
        folder: with recordings, ``*.mcap``.
        labels: table of labels.
        seed: of the draws of people.
        progress: called with what is being done.

    Raises:
        UnusableFileError: a file cannot be read, or a labelled set has no recording.
        BadDocumentError: the table of labels cannot be used.
    """
    say = progress or (lambda _: None)
    rows = read_labels(labels)
    labelled = agreed_sets(rows, name=str(labels))
    paths = sorted(folder.glob("*.mcap"))
    if not paths:
        raise UnusableFileError(f"{folder}: no recordings; allowed: a folder with files that end in .mcap")
    watched: list[WatchedSet] = []
    notes: list[str] = []
    begins_s = {item.name: item.attempts[0].start_s for item in labelled}
    for number, path in enumerate(paths, start=1):
        say(f"reading recording {number} of {len(paths)}")
        found, missing = watched_in(path, begins_s)
        watched += found
        notes += [f"{path.name}: {sentence}" for sentence in missing]
    names = by_name(watched)
    unknown = [item.name for item in labelled if item.name not in names]
    if unknown:
        raise UnusableFileError(
            f"{labels}: set is {unknown[0]!r}; allowed: the nonce, the name or the file name of one set in {folder}"
            + (f" (and {len(unknown) - 1} more such sets)" if len(unknown) > 1 else "")
        )
    seen = {id(names[item.name]) for item in labelled}
    notes += [f"{one.source}: nobody labelled it" for one in watched if id(one) not in seen]
    judged = [judge(item, names[item.name]) for item in labelled]
    notes += [
        f"{names[item.name].source}: ebbset recorded no estimates with intervals in it"
        for item in labelled
        if names[item.name].repetitions and not any(one.told.one_rm_n.value for one in names[item.name].repetitions)
    ]
    say("drawing people anew")
    kinds = [kind for _, section in SECTIONS for kind in section]
    found_figures = over_people(judged, kinds, np.random.default_rng(seed))
    by_key = {one.name: one for one in found_figures}
    exercises = sorted({one.exercise for one in judged})
    people = {one.person for one in judged}
    if len(people) < FEW_PEOPLE:
        counted = plural(len(people), "person", "people")
        notes.append(f"intervals over {counted} are too narrow; for more than a first look it takes {FEW_PEOPLE}")
    return PeopleReport(
        labelled=labelled,
        judged=tuple(judged),
        figures={title: [by_key[k.key] for k in section if k.key in by_key] for title, section in SECTIONS},
        by_exercise={
            name: over_people([one for one in judged if one.exercise == name], STALLS, np.random.default_rng(seed))
            for name in (exercises if len(exercises) > 1 else ())
        },
        agreement=agreement(rows),
        commanded=sum(names[item.name].commanded for item in labelled),
        simulated_sets=sum(names[item.name].simulated or LabelSource.SIMULATOR in item.sources for item in labelled),
        notes=tuple(dict.fromkeys(notes)),
    )


def watched_in(path: Path, begins_s: Mapping[str, float]) -> tuple[list[WatchedSet], Sequence[str]]:
    """Every set of a recording by what ebbset said of it, and sentences about what is missing.

    Args:
        path: the recording.
        begins_s: start of the first attempt by the name that labels use for the set, on the recording's clock.

    Raises:
        UnusableFileError: no recording.
    """
    recording = open_recording(path)
    return _watched(recording, path.name, begins_s), describe_missing(recording)


def _watched(recording: Recording, source: str, begins_s: Mapping[str, float]) -> list[WatchedSet]:
    imported = imported_set(recording, name=source)
    if imported is not None:
        begins = next((begins_s[name] for name in names_of(imported.facts.set, source) if name in begins_s), None)
        return [open_loop(imported, source=source, simulated=recording.simulated, begins_s=begins)]
    sets = recorded_sets(
        ((item.event, item.outputs) for item in recording.handled),
        source=source,
        simulated=recording.simulated,
        rig=recording.metadata.get("rig", ""),
    )
    return [as_decided(item) for item in sets]
