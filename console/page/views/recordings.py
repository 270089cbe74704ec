"""The recordings in the home folder, as the page lists them: each is read once.

A set of a blinded session is listed without any figure, and its report is not shown, since it holds what the study
hides.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from markupsafe import Markup

from ebbset.console.report.page import render_body
from ebbset.console.report.sources import read_sources
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract import formatting
from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.study_mark import is_session, mark_of

MOST_LISTED: Final = 60


@dataclass(frozen=True, slots=True)
class ListedSet:
    """One recorded set in the list.

    Attributes:
        when: date and time, or that they are not known.
        lifters: pseudonyms.
        name: name of the prescription.
        rig: where.
        said: what was done, in a few words; empty for a blinded session.
        why: why it ended; empty for a blinded session.
        simulated: rig and lifter are simulated.
        blinded: it belongs to a study that hides something.
    """

    when: str
    lifters: str
    name: str
    rig: str
    said: str
    why: str
    simulated: bool
    blinded: bool


@dataclass(frozen=True, slots=True)
class ListedRecording:
    """One recording in the list: its name in addresses, and its sets, or what is wrong with it."""

    name: str
    sets: tuple[ListedSet, ...] = ()
    problem: str = ""


class Recordings:
    """The recordings of one folder; each is read again only when it has changed.

    Args:
        folder: need not exist.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[Path, tuple[tuple[int, int], ListedRecording]] = {}

    def newest(self) -> list[ListedRecording]:
        """The newest recordings first, at most `MOST_LISTED`."""
        paths = []
        for path in self._folder.glob("*.mcap") if self._folder.is_dir() else ():
            try:
                paths.append((path.stat(), path))
            except OSError:
                continue
        paths.sort(key=lambda pair: -pair[0].st_mtime_ns)
        found = []
        for status, path in paths[:MOST_LISTED]:
            seen = (status.st_mtime_ns, status.st_size)
            known = self._read.get(path)
            if known is None or known[0] != seen:
                known = (seen, _listed(path))
                self._read[path] = known
            # One that is still empty waits for the first set of its controller.
            if known[1].sets or known[1].problem:
                found.append(known[1])
        here = {path for _, path in paths}
        for gone in [path for path in self._read if path not in here]:
            del self._read[gone]
        return found

    def path_of(self, name: str) -> Path | None:
        """The file of a listed recording; None for a name that is not in the folder.

        Args:
            name: from an address.
        """
        known = {path.stem: path for path in self._folder.glob("*.mcap")} if self._folder.is_dir() else {}
        return known.get(name)


def report_of(path: Path, made_at: datetime.datetime) -> Markup | None:
    """The report of a recording, for a page; None if a set of it belongs to a study that hides something.

    Args:
        path: the recording.
        made_at: printed on it.

    Raises:
        CommandError: no set was armed in it.
        UnusableFileError: it is no recording.
    """
    sources = read_sources([path])
    if any(hidden(item) for source in sources for item in source.sets):
        return None
    return render_body(sources, made_at=made_at)


def hidden(item: RecordedSet) -> bool:
    """Whether a recorded set belongs to a study that hides something of it from somebody.

    Args:
        item: the set.
    """
    mark = mark_of(item.prescription.notes)
    return is_session(item.prescription.name) if mark is None else bool(mark.hidden_from(None))


def _listed(path: Path) -> ListedRecording:
    try:
        source = read_source(path)
    except UnusableFileError as error:
        return ListedRecording(path.stem, problem=str(error).removeprefix(f"{path}: "))
    sets = tuple(_set(item) for item in source.sets)
    return ListedRecording(path.stem, sets)


def _set(item: RecordedSet) -> ListedSet:
    blinded = hidden(item)
    when = "date unknown" if item.begun_at is None else f"{item.begun_at:%Y-%m-%d %H:%M}"
    people: Sequence[str] = sorted(item.people)
    said, why = "", ""
    if not blinded:
        done = [one for one in item.repetitions if one.cable == 0 and one.outcome.value == "completed"]
        drops = sum(moment.decision.action == "drop" for moment in item.moments)
        start = formatting.load(item.prescription.load.start_n, item.prescription.units)
        said = f"{formatting.plural(len(done), 'repetition')} from {start}, {formatting.plural(drops, 'drop')}"
        why = item.ended_because or "The recording ends before the set did."
    return ListedSet(
        when, ", ".join(people), item.prescription.name, item.rig or "", said, why, item.simulated, blinded
    )
