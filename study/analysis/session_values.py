"""One value per session from exported tables, ready for the study's mixed model."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from statistics import mean
from typing import Any, Final

import pyarrow.parquet as pa_parquet

from ebbset.study.analysis.mixed_model import SessionValue, first_of_each

OF_REPETITIONS: Final = ("rom_m", "mean_velocity_m_s")
"""Outcomes that are means over the completed repetitions of a set; the others are columns of the table of sets."""


def session_values(folder: Path, outcome: str) -> list[SessionValue]:
    """The outcome of each session of a study, as its plan of analysis says.

    Of a session that was recorded twice the first set counts; a set without load, condition or value is left out.

    Args:
        folder: an export that was made with the study file.
        outcome: a numeric column of the sets, or one of `OF_REPETITIONS`.

    Returns:
        Values in the order in which the sets began.

    Raises:
        KeyError: no such column.
        OSError: a table cannot be read.
    """
    sets = pa_parquet.read_table(folder / "sets.parquet").to_pylist()
    sets = sorted((row for row in sets if row["begun_at"] is not None), key=lambda row: row["begun_at"])
    means = _means(folder, outcome) if outcome in OF_REPETITIONS else {row["set"]: row[outcome] for row in sets}
    return first_of_each(
        [
            SessionValue(row["participant"], row["period"], row["condition"], float(means[row["set"]]))
            for row in sets
            if row["condition"] is not None and row["bouts"] and means.get(row["set"]) is not None
        ]
    )


def _means(folder: Path, outcome: str) -> dict[str, float]:
    found: dict[str, list[Any]] = defaultdict(list)
    columns = ["set", "outcome", outcome]
    for row in pa_parquet.read_table(folder / "repetitions.parquet", columns=columns).to_pylist():
        if row["outcome"] == "completed":
            found[row["set"]].append(row[outcome])
    return {name: mean(values) for name, values in found.items()}
