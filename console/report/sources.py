"""The recordings of one report, in order of date."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ebbset.console.exits import CommandError, Exit
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.selection import contradiction, sources_once
from ebbset.controller.recording.sources import Source, read_source


def read_sources(paths: Sequence[Path]) -> list[Source]:
    """Read recordings, each set once, and sort them by the dates of their sets.

    Raises:
        CommandError: none of the recordings holds an armed set.
        UnusableFileError: a file is missing or is not a recording.
    """
    sources = sources_once([read_source(path) for path in paths])
    sources = [replace(source, missing=[*source.missing, *_contradictions(source)]) for source in sources]
    if not any(source.sets for source in sources):
        names = ", ".join(str(path) for path in paths)
        raise CommandError(f"{names}: no set was armed in it, so there is nothing to report", Exit.NO)
    return sorted(sources, key=_first_day)


def _contradictions(source: Source) -> list[str]:
    found = [contradiction(item) for item in source.sets]
    return [text.removeprefix(f"{source.name}: ") for text in found if text is not None]


def _first_day(source: Source) -> tuple[bool, datetime.datetime]:
    days = [_naive(item) for item in source.sets if item.begun_at is not None]
    return (not days, min(days, default=datetime.datetime.min))


def _naive(item: RecordedSet) -> datetime.datetime:
    return datetime.datetime.min if item.begun_at is None else item.begun_at.replace(tzinfo=None)
