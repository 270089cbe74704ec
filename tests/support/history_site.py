"""A folder as a gym has it: recordings of a few lifters over some weeks, made on the scripted rig."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from ebbset.coaching.sessions.journal import Journal
from ebbset.coaching.sessions.session_events import (
    Armed,
    Begun,
    SessionEnded,
    SessionEvent,
    SetBegun,
    SetEnded,
    Skipped,
)
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import Mark
from tests.support import session_plans
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.sessions import Tap, auto_drop_order

FIRST_DAY = datetime.datetime(2026, 10, 5, 18, tzinfo=datetime.UTC)
LIFTS_N = (1e9, 1e9, 1e9, 310.0, 1e9, 230.0, 180.0, 100.0)


def person(lifter: str, exercise: str = "row", **changes: Any) -> LifterProfile:
    return LifterProfile.model_validate({**profile_of(exercise).model_dump(), "lifter": lifter, **changes})


def blinding(participant: str, *hide: str) -> str:
    return Mark("0" * 64, participant, 1, frozenset(hide)).text()


def record_set(
    path: Path,
    profile: LifterProfile | None,
    *,
    number: int,
    day: float = 0.0,
    notes: str = "",
    lifts_n: tuple[float, ...] = LIFTS_N,
    keep: float = 1.0,
    order: dict[str, Any] | None = None,
) -> Path:
    """One whole set with drops.

    Args:
        path: where to write the recording.
        profile: that the set is armed with.
        number: makes its nonce another's.
        day: days after `FIRST_DAY`.
        notes: of the prescription.
        lifts_n: what each attempt can lift.
        keep: share of the inputs that is written; less than all leaves a set that breaks off.
        order: members of the prescription that are to be otherwise.
    """
    exercise = "row" if profile is None else profile.exercise
    prescription = auto_drop_order(notes=notes, exercise=exercise, **(order or {}))
    rig = KinematicRig(prescription, profile=profile, lifts_n=list(lifts_n))
    rig.now_us += number * 1_000
    rig.controller = tap = Tap(rig.policies)
    rig.begin()
    for _ in range(2_000):
        rig.frame()
        if rig.result() is not None:
            break
    assert rig.result() is not None, "the scripted set must end by itself"
    begun = FIRST_DAY + datetime.timedelta(days=day)
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north", "wall_clock_at_zero": begun.isoformat()})
        for event, outputs in tap.pairs[: int(len(tap.pairs) * keep)]:
            writer.add(event, outputs)
        writer.finish({})
    return path


def write_site(folder: Path) -> Path:
    """Recordings of two lifters, of one participant of a blinded study, and of nobody; returns the folder."""
    recordings = folder / "recordings"
    recordings.mkdir(parents=True)
    a7, b2 = person("a7"), person("b2", "bench_press")
    for number, day in enumerate((0.0, 3.0, 7.0, 14.0)):
        record_set(recordings / f"a7-{number}.mcap", a7, number=number, day=day)
    record_set(recordings / "b2-0.mcap", b2, number=10, day=1.0)
    record_set(recordings / "p01-1.mcap", None, number=11, day=2.0, notes=blinding("p01", "load"))
    record_set(recordings / "nobody.mcap", None, number=12, day=2.0)
    return folder


def write_session(folder: Path, name: str, lifter: str, *, begun: bool = True, nonces: tuple[str, ...] = ()) -> Path:
    """Files of a session of three sets on `FIRST_DAY`: two are done, the last one is skipped, in the minutes there are.

    Args:
        folder: where to.
        name: of the files.
        lifter: whose it is.
        begun: whether there is a journal.
        nonces: of the two sets; made up if none are given.
    """
    folder.mkdir(exist_ok=True)
    plan = session_plans.plan().model_copy(update={"lifter": lifter, "name": name})
    (folder / f"{name}.plan.toml").write_text(plan.to_toml())
    if not begun:
        return folder
    at_s = FIRST_DAY.timestamp()
    events: list[SessionEvent] = [Begun(at_s=at_s, plan=plan.digest())]
    for number, nonce in enumerate(nonces or (f"{name}-one-nonce", f"{name}-two-nonce"), 1):
        step = plan.steps[number - 1]
        events += [
            Armed(at_s=at_s + 5, step=number, nonce=nonce, operator="coach", order=step.prescription),
            SetBegun(at_s=at_s + 10, nonce=nonce),
            SetEnded(at_s=at_s + 50, nonce=nonce, reason="stall_in_concentric", repetitions=8),
        ]
        at_s += 150
    events += [Skipped(at_s=at_s, step=3), SessionEnded(at_s=at_s, because="every set is done")]
    journal = Journal.open(folder / f"{name}.journal.jsonl")
    for event in events:
        journal.append(event)
    journal.close()
    return folder
