"""What ebbset said of a set: the stalls it called and what it told after each repetition, each with its time.

Two ways to the same account. Of a set whose loads ebbset commanded, it is what was decided and recorded. Of an imported
one, whose loads went their own way, the detector and the estimator as shipped run open loop over the samples: they are
told of each change of load when it happens, and no decision of theirs changes anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.estimation.intervals import Estimates, estimates_of, told_in
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.regulation.armed_set import SETTLE_S
from ebbset.controller.regulation.cable import Cable
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.simulators.evaluation.labelled.imported import ImportedSet

AT_THE_BOTTOM_S: Final = 0.5
"""How long before the first attempt an encoder's samples are looked at; judgement, no source."""


@dataclass(frozen=True, slots=True)
class ToldRepetition:
    """One repetition as ebbset saw it, and what it told then.

    Attributes:
        t_s: its end.
        cable: whose.
        completed: ebbset counts it.
        told: the estimates with their intervals.
    """

    t_s: float
    cable: int
    completed: bool
    told: Estimates


@dataclass(frozen=True, slots=True)
class WatchedSet:
    """What ebbset said of one set, on the recording's clock, in seconds.

    Attributes:
        names: by which labels may call the set.
        source: file name of the recording.
        exercise: its name.
        commanded: ebbset commanded the loads.
        simulated: nobody lifted.
        calls: (time, cable) of each stall that was called.
        repetitions: as they ended.
        drops_s: times at which ebbset lowered the load.
        wanted: repetitions wanted in each step; None where the policy names none.
        ended: why it ended; None of an imported set and of one that was cut.
    """

    names: frozenset[str]
    source: str
    exercise: str
    commanded: bool
    simulated: bool
    calls: tuple[tuple[float, int], ...]
    repetitions: tuple[ToldRepetition, ...]
    drops_s: tuple[float, ...] = ()
    wanted: float | None = None
    ended: Reason | None = None

    def calls_of(self, cable: int) -> list[float]:
        """Times of the stalls that were called for a cable."""
        return [t_s for t_s, mine in self.calls if mine == cable]


def as_decided(item: RecordedSet) -> WatchedSet:
    """A set that ebbset regulated: its decisions and records.

    Args:
        item: as recorded.
    """
    stalls = [moment for moment in item.moments if moment.is_stall]
    drop = item.prescription.drop
    wanted = drop.parameters.get("repetitions") if drop.policy == "repetitions_wanted" else None
    return WatchedSet(
        names=names_of(item.nonce, item.source),
        source=item.source,
        exercise=item.prescription.exercise,
        commanded=True,
        simulated=item.simulated,
        calls=tuple((moment.t_s, moment.decision.cable or 0) for moment in stalls),
        repetitions=tuple(
            ToldRepetition(span[1], record.cable, record.outcome is RepetitionOutcome.COMPLETED, told_in(record))
            for record, span in zip(item.repetitions, item.repetition_spans_s, strict=True)
        ),
        drops_s=tuple(moment.t_s for moment in item.moments if moment.decision.action == "drop"),
        wanted=None if wanted is None else float(wanted),
        ended=None if item.result is None else item.result.reason,
    )


def open_loop(item: ImportedSet, *, source: str, simulated: bool, begins_s: float | None = None) -> WatchedSet:
    """An imported set: the detector and the estimator as shipped, run over its samples.

    A rig says when its handle is docked; an encoder does not. What it saw while the lifter took the load up is
    therefore left out, since it would be taken for a part of the first repetition.

    Args:
        item: what the recording holds.
        source: file name of the recording.
        simulated: nobody lifted.
        begins_s: start of the first labelled attempt; what lies more than `AT_THE_BOTTOM_S` before is left out.
    """
    most_n = max([frame.applied_n[0] for frame in item.frames], default=1.0)
    order = Prescription.model_validate(
        {"name": "Open loop", "exercise": item.facts.exercise, "load": {"start_n": most_n, "floor_n": 0.5 * most_n}}
    )
    cable = Cable(order, None, has_force=False)
    calls: list[tuple[float, int]] = []
    repetitions: list[ToldRepetition] = []
    first_us = -1 if begins_s is None else round((begins_s - AT_THE_BOTTOM_S - item.facts.zero_s) * 1e6)
    for frame in item.frames:
        if frame.t_us[0] < first_us:
            continue
        _follow_load(cable, frame.applied_n[0], frame.t_us[0])
        signals = cable.segmenter.feed(
            frame.t_us, frame.position_m[0], None, None, load_n=frame.applied_n[0], docked=frame.docked
        )
        for signal in signals:
            if isinstance(signal, StallSeen):
                cable.capacity.stall(load_n=cable.load_n)
                calls.append((item.facts.zero_s + signal.t_us / 1e6, 0))
            elif isinstance(signal, RepetitionEnded):
                cable.repetition(signal, least_rom_fraction=None)
                completed = signal.outcome is RepetitionOutcome.COMPLETED
                told = estimates_of(cable.capacity)
                repetitions.append(ToldRepetition(item.facts.zero_s + signal.t_end_us / 1e6, 0, completed, told))
    return WatchedSet(
        names=names_of(item.facts.set, source),
        source=source,
        exercise=item.facts.exercise,
        commanded=False,
        simulated=simulated,
        calls=tuple(calls),
        repetitions=tuple(repetitions),
    )


def _follow_load(cable: Cable, load_n: float, t_us: int) -> None:
    """Tell the cable of a load that somebody else has changed."""
    if load_n < cable.load_n:
        cable.dropped(load_n, t_us=t_us, hold_s=SETTLE_S)
    elif load_n > cable.load_n:
        cable.begin_bout(load_n)


def names_of(own: str, source: str) -> frozenset[str]:
    """By which names labels may call a set.

    Args:
        own: nonce, or name of an imported set.
        source: file name of its recording.
    """
    return frozenset({own, source, source.removesuffix(".mcap")})


def by_name(items: Sequence[WatchedSet]) -> dict[str, WatchedSet]:
    """Sets by every name that labels may use; a name that two sets share is not there.

    Args:
        items: sets.
    """
    found: dict[str, WatchedSet] = {}
    shared: set[str] = set()
    for item in items:
        for name in item.names:
            if name in found:
                shared.add(name)
            found[name] = item
    return {name: item for name, item in found.items() if name not in shared}
