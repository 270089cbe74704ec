"""Which of several recorded sets count: each armed set once, and whose each one is.

A set is armed with a nonce that is never used again, so two recordings with the same nonce hold the same set, whatever
they are called. Never here: what a set is used for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import Source


def counted_once(items: Iterable[RecordedSet]) -> tuple[list[RecordedSet], list[str]]:
    """Each armed set once, in the order given, and a sentence for each copy that is left out.

    Where one copy holds more of the set than another, it is the one that stays.

    Args:
        items: recorded sets.
    """
    kept: dict[str, RecordedSet] = {}
    remarks = []
    for item in items:
        before = kept.get(item.nonce)
        fuller, other = (item, before) if before is None or _more(item, before) else (before, item)
        kept[item.nonce] = fuller
        if other is not None:
            remarks.append(
                f"{other.source}: holds the same set as {fuller.source} (nonce {item.nonce}); it counts once"
            )
    return list(kept.values()), remarks


def fullness(item: RecordedSet) -> tuple[bool, int]:
    """How much of a set a recording holds: whether it goes to the end, and how many outputs; more is greater."""
    return item.result is not None, len(item.outputs)


def _more(item: RecordedSet, than: RecordedSet) -> bool:
    return fullness(item) > fullness(than)


def sources_once(sources: Sequence[Source]) -> list[Source]:
    """The same for whole recordings: a copy loses its set, and what is said about it says so.

    Args:
        sources: recordings.
    """
    kept, remarks = counted_once(item for source in sources for item in source.sets)
    left = {id(item) for item in kept}
    return [
        replace(
            source,
            sets=[item for item in source.sets if id(item) in left],
            missing=[
                *source.missing,
                *(text.removeprefix(head) for text in remarks if text.startswith(head := f"{source.name}: ")),
            ],
        )
        for source in sources
    ]


def contradiction(item: RecordedSet) -> str | None:
    """A sentence where a set says of two people that it is theirs; None where it does not."""
    if len(item.people) < 2:
        return None
    return (
        f"{item.source}: a session of participant {item.person!r}, armed with the profile of {item.lifter!r}; "
        f"it is taken as a set of {item.person!r}, and its estimates rest on the profile of somebody else"
    )
