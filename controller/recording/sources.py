"""Recordings for the report and its tables: read, arranged, with their origin and what is missing."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ebbset.controller.recording.reader import BadRecordingError, Recording, describe_missing, read_recording
from ebbset.controller.recording.recorded_set import RecordedSet, recorded_sets
from ebbset.controller.recording.writer import MACHINE_CLOCK_FACT
from ebbset.models.contract.problems import UnusableFileError

SIMULATED = "Rig and lifter are simulated: nobody lifted, and nothing here was measured on a person."


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A recording that was read: its name, its sets, and sentences about what is missing from it or amiss in it."""

    name: str
    sets: Sequence[RecordedSet]
    missing: Sequence[str] = ()
    versions: str = ""


def open_recording(path: Path) -> Recording:
    """The recording in a file, even if it is damaged.

    Raises:
        UnusableFileError: no such file, or no recording.
    """
    try:
        return read_recording(path)
    except BadRecordingError as error:
        raise UnusableFileError(str(error)) from None


def read_source(path: Path) -> Source:
    """A recording arranged for people.

    Raises:
        UnusableFileError: no such file, or no recording.
    """
    recording = open_recording(path)
    return Source(
        name=path.name,
        sets=recorded_sets(
            ((item.event, item.outputs) for item in recording.handled),
            source=path.name,
            simulated=recording.simulated,
            rig=recording.metadata.get("rig", ""),
            clock_zero=clock_zero(recording.metadata),
            machine_zero_s=machine_zero_s(recording.metadata),
        ),
        missing=describe_missing(recording),
        versions=_versions(recording.metadata),
    )


def clock_zero(metadata: Mapping[str, str]) -> datetime.datetime | None:
    """Wall clock at ``now_us`` = 0, in local time, when the recording holds it."""
    text = metadata.get("wall_clock_at_zero")
    if text is None:
        return None
    try:
        found = datetime.datetime.fromisoformat(text)
        if not 2000 <= found.year < 3000:
            return None
        return found.astimezone() if found.tzinfo is not None else found
    except (ValueError, OverflowError):
        return None


def machine_zero_s(metadata: Mapping[str, str]) -> float | None:
    """Monotonic clock of the controller's machine at ``now_us`` = 0, seconds, when the recording holds it."""
    try:
        found = float(metadata[MACHINE_CLOCK_FACT])
    except (KeyError, ValueError):
        return None
    return found if math.isfinite(found) else None


def _versions(metadata: Mapping[str, str]) -> str:
    return ", ".join(
        f"{name} {metadata[name]}" for name in ("ebbset", "python", "numpy", "pydantic") if name in metadata
    )
