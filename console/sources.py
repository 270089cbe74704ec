"""Recordings as the report and its tables take them: read, arranged, with what is missing and where they come from."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path

from ebbset.console.exits import CommandError, Exit
from ebbset.console.report_data import RecordedSet, recorded_sets
from ebbset.console.report_html import Source
from ebbset.controller.recording import BadRecordingError, Recording, describe_missing, read_recording

SIMULATED = "The rig and the lifter on it are a computation; nobody lifted, and nothing here was measured on a person."


def open_recording(path: Path) -> Recording:
    """The recording in a file, as whole as it is.

    Raises:
        CommandError: no such file, or no recording.
    """
    try:
        return read_recording(path)
    except BadRecordingError as error:
        raise CommandError(f"{path}: {error}", Exit.BAD_INPUT) from None
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None


def read_source(path: Path) -> Source:
    """A recording arranged for people.

    Raises:
        CommandError: no such file, or no recording.
    """
    recording = open_recording(path)
    return Source(
        name=path.name,
        sets=recorded_sets(
            ((item.event, item.outputs) for item in recording.handled),
            source=path.name,
            metadata=recording.metadata,
            clock_zero=clock_zero(recording.metadata),
        ),
        missing=describe_missing(recording),
        simulated=SIMULATED if recording.metadata.get("simulated") == "true" else None,
        versions=_versions(recording.metadata),
    )


def read_sources(paths: Sequence[Path]) -> list[Source]:
    """Several recordings, in the order of their sets' dates.

    Raises:
        CommandError: a file is missing or no recording, or none of them holds an armed set.
    """
    sources = [read_source(path) for path in paths]
    if not any(source.sets for source in sources):
        names = ", ".join(str(path) for path in paths)
        raise CommandError(f"{names}: no set was armed in it, so there is nothing to report", Exit.NO)
    return sorted(sources, key=_first_day)


def clock_zero(metadata: Mapping[str, str]) -> datetime.datetime | None:
    """Wall clock at ``now_us`` = 0, in local time, when the recording holds it."""
    text = metadata.get("wall_clock_at_zero")
    if text is None:
        return None
    try:
        found = datetime.datetime.fromisoformat(text)
    except ValueError:
        return None
    return found.astimezone() if found.tzinfo is not None else found


def _versions(metadata: Mapping[str, str]) -> str:
    return ", ".join(
        f"{name} {metadata[name]}" for name in ("ebbset", "python", "numpy", "pydantic") if name in metadata
    )


def _first_day(source: Source) -> tuple[bool, datetime.datetime]:
    days = [_naive(item) for item in source.sets if item.begun_at is not None]
    return (not days, min(days, default=datetime.datetime.min))


def _naive(item: RecordedSet) -> datetime.datetime:
    return datetime.datetime.min if item.begun_at is None else item.begun_at.replace(tzinfo=None)
