"""What is not as the study orders, in sentences: of one recorded set, and of all of them together.

Dates are those of the site, in its time zone, whoever reads the recordings and wherever. What an amendment allows is no
departure; `remarks_on` tells of it. Loads and times are compared in `fidelity`.
"""

from __future__ import annotations

import datetime
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.selection import contradiction
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import Mark, mark_of, order_digest
from ebbset.study.study_file import Session, Study


def departures_in(item: RecordedSet, study: Study | None) -> list[str]:
    """What is not as ordered in one set.

    Args:
        item: the recorded set.
        study: its study; ``None``: only what the recording says of itself is judged.
    """
    mark = mark_of(item.prescription.notes)
    if study is None:
        return _armed_as_written(item, mark)
    if mark is None:
        return ["the prescription belongs to no study"]
    if mark.study != study.hash:
        return [f"recorded for another version of the study: {mark.study[:12]}, this file is {study.hash[:12]}"]
    session = study.session(mark.participant, mark.period)
    if session is None:
        return [f"no session {mark.period} of {mark.participant} in the schedule"]
    if not was_begun(item):
        return []
    found = []
    told = contradiction(item)
    if told is not None:
        found.append(told.removeprefix(f"{item.source}: "))
    found += _origin(mark, study)
    found += _changed(item, study, session, mark)
    found += _dates(item, study, session)
    if item.result is None:
        found.append("the recording ends before the set does")
    return found


def departures_of(sets: Sequence[RecordedSet], study: Study) -> list[str]:
    """What the recordings as a whole leave open: sessions missing, done twice, or too soon after another.

    Args:
        sets: all recorded sets.
        study: the study they belong to.
    """
    done = _done(sets, study)
    expected = set(study.expected)
    found = []
    for session in study.schedule:
        here = done.get((session.participant, session.period), [])
        if not here and session in expected:
            found.append(f"{_place(session)}: no recording")
        if len(here) > 1:
            files = " and ".join(item.source for item in here)
            found.append(f"{_place(session)}: done {_times(len(here))}, in {files}")
    for person in study.people:
        found += _too_soon(person.id, done, study)
    return found


def remarks_on(sets: Sequence[RecordedSet], study: Study) -> list[str]:
    """What a reader should know and what is no departure: amendments, sets that never began, what cannot be told.

    Args:
        sets: all recorded sets.
        study: the study they belong to.
    """
    done = _done(sets, study)
    found = []
    if study.file.time_zone is None:
        found.append("the study file names no time zone, so dates are those of UTC; name the site's with time_zone")
    for number, amendment in enumerate(study.file.amendments, start=1):
        told = [f"{person.id} joined{_instead(person.replaces)}" for person in amendment.add]
        for name in amendment.withdraw:
            recorded = sum((s.participant, s.period) in done for s in study.schedule if s.participant == name)
            of = sum(s.participant == name for s in study.schedule)
            told.append(f"{name} withdrew with {recorded} of {formatting.plural(of, 'session')} recorded")
        found.append(f"amendment {number} of {amendment.date}: {', '.join(told)} ({amendment.reason})")
    for item in sets:
        mark = mark_of(item.prescription.notes)
        if mark is not None and mark.study == study.hash and not was_begun(item):
            found.append(
                f"{item.source}: armed for session {mark.period} of {mark.participant}, but no load came on; "
                "it counts as no session"
            )
    return found


def was_begun(item: RecordedSet) -> bool:
    """Whether the set's load ever came on; a set that was only armed is no session done.

    Args:
        item: the recorded set.
    """
    return any(any(step.target_n) for step in item.steps)


def date_of(item: RecordedSet, study: Study) -> datetime.date | None:
    """Date of a set at the site; None where the recording does not say when it was.

    A recording whose clock names no zone was made by the site's clock.

    Args:
        item: the recorded set.
        study: its study.
    """
    begun = item.begun_at
    if begun is None:
        return None
    try:
        return (begun if begun.tzinfo is None else begun.astimezone(study.file.zone)).date()
    except OverflowError:
        return None


def _armed_as_written(item: RecordedSet, mark: Mark | None) -> list[str]:
    if mark is None or mark.origin is None or mark.origin.order == order_digest(item.prescription):
        return []
    return ["the prescription was changed after it was written for this session"]


def _origin(mark: Mark, study: Study) -> Iterator[str]:
    """Whether the session was made from this file as it stood at an amendment that it knows."""
    if mark.origin is None:
        return
    number, known = mark.origin.amendment, len(study.file.amendments)
    if number >= len(study.history):
        yield f"made under amendment {number}, of which this study file does not know; it has {known}"
    elif study.history[number] != mark.origin.history:
        upto = f"amendments up to number {number}" if number else "participants registered at first"
        yield f"made from a study file with other {upto}"
    else:
        person = study.person(mark.participant)
        if person is not None and person.joined_with > number:
            yield f"{person.id} joined with amendment {person.joined_with}, but it was made under amendment {number}"


def _changed(item: RecordedSet, study: Study, session: Session, mark: Mark) -> Iterator[str]:
    number = None
    if mark.origin is not None and mark.origin.amendment < len(study.history):
        number = mark.origin.amendment
    ordered = study.order_of(session, amendment=number)
    if ordered.digest() == item.prescription.digest():
        return
    apart = differences(item.prescription, ordered)
    if apart:
        yield f"the prescription was changed: {', '.join(apart)}"
    elif mark.origin is None or study.history[number or 0] == mark.origin.history:
        yield "the prescription was changed: its notes are not those that were written for this session"


def differences(armed: Prescription, ordered: Prescription) -> list[str]:
    """Each member in which an armed prescription is not the ordered one, with both values; notes left out.

    Args:
        armed: what was armed.
        ordered: what should have been.
    """
    here, there = _flat(armed.model_dump(exclude={"notes"})), _flat(ordered.model_dump(exclude={"notes"}))
    return [
        f"{name} was {here.get(name, 'left out')} instead of {there.get(name, 'left out')}"
        for name in dict.fromkeys([*there, *here])
        if here.get(name) != there.get(name)
    ]


def _flat(value: Any, name: str = "") -> dict[str, Any]:
    if isinstance(value, Mapping):
        items: Iterable[tuple[Any, Any]] = value.items()
    elif isinstance(value, list | tuple):
        items = enumerate(value)
    else:
        return {name: value}
    return {k: v for key, part in items for k, v in _flat(part, f"{name}.{key}" if name else str(key)).items()}


def _dates(item: RecordedSet, study: Study, session: Session) -> Iterator[str]:
    date = date_of(item, study)
    if date is None:
        yield "the recording does not say when it was, so its day and the washout cannot be judged"
        return
    if date < session.earliest:
        yield f"done on {date}, before its earliest day {session.earliest}"
    person = study.person(session.participant)
    if person is not None and person.withdrawn is not None and date > person.withdrawn.date:
        yield f"done on {date}, after {person.id} withdrew on {person.withdrawn.date}"


def _done(sets: Sequence[RecordedSet], study: Study) -> dict[tuple[str, int], list[RecordedSet]]:
    found: dict[tuple[str, int], list[RecordedSet]] = defaultdict(list)
    for item in sets:
        mark = mark_of(item.prescription.notes)
        if mark is not None and mark.study == study.hash and was_begun(item):
            found[mark.participant, mark.period].append(item)
    return found


def _too_soon(name: str, done: Mapping[tuple[str, int], list[RecordedSet]], study: Study) -> Iterator[str]:
    """Sessions of one person that do not keep the washout from the session before."""
    days = [
        (session, sorted(date for item in items if (date := date_of(item, study)) is not None))
        for session in study.schedule
        if session.participant == name and (items := done.get((name, session.period)))
    ]
    for (before, earlier), (session, dates) in pairwise((s, d) for s, d in days if d):
        passed = (dates[0] - earlier[-1]).days
        if passed < 0:
            yield f"{_place(session)}: on {dates[0]}, before session {before.period} on {earlier[-1]}"
        elif passed < study.file.washout_days:
            yield (
                f"{_place(session)}: on {dates[0]}, {formatting.plural(passed, 'day')} after session {before.period} "
                f"on {earlier[-1]}; at least {study.file.washout_days} required"
            )


def _place(session: Session) -> str:
    return f"participant {session.participant}, session {session.period}"


def _instead(replaced: str | None) -> str:
    return "" if replaced is None else f" in place of {replaced}"


def _times(number: int) -> str:
    return "twice" if number == 2 else f"{number} times"
