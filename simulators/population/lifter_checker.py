"""Runs any family of lifters through what the `Lifter` protocol promises and lists the rules it breaks.

One person is drawn and put at a simulated rig: a light load, one far too great, one that vanishes, one and two cables,
branches in the middle of a lift, the same again from the same seed. Whether the family is like *people* is not judged
here; hold it against published figures for that.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.lifter.protocol import Lifter
from ebbset.simulators.plant.attempt_log import WHOLE_SHARE
from ebbset.simulators.plant.plugged_plant import LifterError, PluggedPlant
from ebbset.simulators.plant.rig_parameters import strong_rig
from ebbset.simulators.population.families import Family, FamilyError
from ebbset.simulators.population.strength_test import lift_once

_STEPS: Final = 30
"""Integration steps, of 1 ms, between two looks at the lifter."""
_PICKED_UP_S: Final = 1.2
_LEAVES_WITHIN_S: Final = 10.0
_TRIES_S: Final = 90.0
_PUTS_DOWN_WITHIN_S: Final = 30.0
_GIVES_UP_WITHIN_S: Final = 240.0
_COMPARED_S: Final = 6.0
_RISE: Final = 0.005
"""Capacity may rise by this much in an ascent: force changes by less from one attempt to the next."""
_RESTED: Final = 0.98
_FIRST_N: Final = 128.0
_STRONGEST_N: Final = 8192.0
_Row = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LifterFinding:
    """One broken rule: the rule, and what happened instead."""

    rule: str
    detail: str


class _Set:
    """A person at a rig, looked at every few milliseconds."""

    def __init__(self, lifter: Lifter, load_n: float, cables: int = 1) -> None:
        self.rig = strong_rig(10_000.0, n_cables=cables)
        self.plant = PluggedPlant(self.rig, lifter, np.random.default_rng(1))
        self.rows: list[_Row] = []
        self.plant.start()
        self.run(_PICKED_UP_S)
        self.load(load_n)

    def load(self, load_n: float) -> None:
        """Command this load, over all cables together."""
        each = load_n / self.rig.n_cables
        self.plant.command((each,) * self.rig.n_cables, self.rig.max_ramp_n_per_s)

    def run(self, duration_s: float, until: Callable[[PluggedPlant], bool] = lambda _: False) -> bool:
        """Go on for so long, or until something is so; whether it became so."""
        end_s = self.plant.time_s + duration_s
        while self.plant.time_s < end_s:
            self.plant.advance(_STEPS)
            handles = self.plant.state.cables[:, :2].ravel().tolist()
            self.rows.append((float(self.plant.phase), self.plant.capacity, *handles))
            if until(self.plant):
                return True
        return False


def check_lifter(
    factory: Callable[[str | None, np.random.Generator], object], seed: int = 1, exercise: str | None = None
) -> list[LifterFinding]:
    """Check one person of a family.

    Args:
        factory: draws a person, as the family's entry point names it.
        seed: of the person.
        exercise: what to ask for; None leaves it to the family.

    Returns:
        The first finding of each broken rule; an empty list is a pass.
    """
    family = Family(getattr(factory, "__name__", "?"), factory)  # type: ignore[arg-type]
    try:
        one, again = (family.draw(exercise, np.random.default_rng(seed)) for _ in range(2))
    except FamilyError as error:
        return [LifterFinding("a person can be drawn", str(error))]
    if isinstance(one, LifterParameters) or isinstance(again, LifterParameters):
        detail = "these are parameters of the compiled lifter, which keeps no protocol; there is nothing to check"
        return [LifterFinding("a person is a lifter", detail)]
    findings: dict[str, LifterFinding] = {}

    def note(found: Iterable[LifterFinding]) -> None:
        try:
            for finding in found:
                findings.setdefault(finding.rule, finding)
        except LifterError as error:
            rule = "answers each step with a finite pull for each cable"
            findings.setdefault(rule, LifterFinding(rule, str(error)))
        except Exception as error:
            # Anybody's code may fail in any way; whoever wrote it is told where.
            rule = "lives through a set without an error"
            findings.setdefault(rule, LifterFinding(rule, f"{type(error).__name__}: {error}"))

    if exercise is not None and one.exercise != exercise:
        note([LifterFinding("does the exercise asked for", f"exercise is {one.exercise!r}; allowed: {exercise!r}")])
    note(_as_drawn(one))
    strength: list[float] = []
    note(_strength(one, strength))
    for load_n in strength:
        for check in (_repeats, _copies, _full_effort, _loads, _rests):
            note(check(one, again, load_n))
    return list(findings.values())


def _as_drawn(one: Lifter) -> Iterator[LifterFinding]:
    if one.phase is not Phase.REST:
        yield LifterFinding("waits in phase REST when drawn", f"the phase is {one.phase!r}")
    if not one.capacity() >= _RESTED:
        yield LifterFinding("is rested when drawn", f"capacity() is {one.capacity()!r}; allowed: {_RESTED:g} to 1")
    for cables in (1, 2):
        other = one.copy()
        other.begin(cables)
        if other.phase is not Phase.PICKING_UP:
            yield LifterFinding("picks the handle up after begin()", f"{cables} cables: the phase is {other.phase!r}")
        done = _Set(one, 0.0, cables)
        if not done.run(_LEAVES_WITHIN_S, lambda plant: bool((plant.state.cables[:, 0] > 0.02).all())):
            yield LifterFinding(
                "takes each handle out of its dock", f"{cables} cables: still in it after {_LEAVES_WITHIN_S:g} s"
            )


def _repeats(one: Lifter, again: Lifter, load_n: float) -> Iterator[LifterFinding]:
    """The same seed draws the same person, who does the same."""
    first, second = _Set(one, 0.5 * load_n), _Set(again, 0.5 * load_n)
    for each in (first, second):
        each.run(_COMPARED_S)
    if first.rows != second.rows:
        detail = f"two people of one seed differ {_where(first, second)}: take every random number from rng"
        yield LifterFinding("is the same person again from the same seed", detail)
    try:
        sent: Lifter = pickle.loads(pickle.dumps(one))
    except Exception:
        return  # never sent to another process then: it is drawn there again
    arrived = _Set(sent, 0.5 * load_n)
    arrived.run(_COMPARED_S)
    if arrived.rows != first.rows:
        detail = f"unpickled, it differs {_where(first, arrived)}"
        yield LifterFinding("is the same person in another process", detail)


def _copies(one: Lifter, _again: Lifter, load_n: float) -> Iterator[LifterFinding]:
    """A branch in mid-lift does what the original does, and leaves no mark on it."""
    for cables in (1, 2):
        undisturbed, branched = _Set(one, 0.7 * load_n, cables), _Set(one, 0.7 * load_n, cables)
        for each in (undisturbed, branched):
            each.run(_TRIES_S, lambda plant: plant.phase is Phase.CONCENTRIC)
            each.run(0.2)
        branch = _Set(one, 0.7 * load_n, cables)
        branch.plant, branch.rows = branched.plant.fork(), list(branched.rows)
        branch.run(_COMPARED_S)
        branched.run(_COMPARED_S)
        undisturbed.run(_COMPARED_S)
        if branch.rows != branched.rows:
            detail = f"{cables} cables: a copy in mid-lift differs {_where(branched, branch)}; copy rng and all arrays"
            yield LifterFinding("copy() is exact", detail)
        if branched.rows != undisturbed.rows:
            detail = f"{cables} cables: the original differs {_where(undisturbed, branched)} after its copy went on"
            yield LifterFinding("copy() is independent", detail)


def _full_effort(one: Lifter, again: Lifter, load_n: float) -> Iterator[LifterFinding]:
    tired = _Set(one, 0.7 * load_n)
    tired.run(_COMPARED_S)
    before = (tired.plant.capacity, tired.plant.phase)
    rested = tired.plant.lifter.at_full_effort()
    if (tired.plant.capacity, tired.plant.phase) != before:
        yield LifterFinding("at_full_effort() leaves the original alone", "its capacity or phase changed")
    if not rested.capacity() >= _RESTED:
        detail = f"capacity() of the copy is {rested.capacity():.3f}; allowed: {_RESTED:g} to 1"
        yield LifterFinding("at_full_effort() gives a rested copy", detail)
    sets = []
    for seed, person in ((1, one), (2, again)):
        tested = person.at_full_effort()
        tested.rng = np.random.default_rng(seed)
        sets.append(_Set(tested, 0.7 * load_n))
        # The rig gives its own stream at the start; another one must change nothing.
        sets[-1].plant.lifter.rng = np.random.default_rng(seed)
        sets[-1].run(_COMPARED_S)
    if sets[0].rows != sets[1].rows:
        detail = f"two attempts differ {_where(*sets)}: switch noise, pauses and their spread off"
        yield LifterFinding("full effort is the same every time", detail)


def _loads(one: Lifter, _again: Lifter, load_n: float) -> Iterator[LifterFinding]:
    tested = one.at_full_effort()
    for cables in (1, 2):
        done = _Set(tested, 0.5 * load_n, cables)
        done.run(_TRIES_S, lambda plant: plant.attempts_ended > 0)
        records = done.plant.truth.records
        if not records:
            yield LifterFinding("tries a light load", f"{cables} cables: no ascent ended within {_TRIES_S:g} s")
        elif not records[0].completed:
            share = (records[0].end_m - tested.bottom_m) / tested.rom_m
            detail = f"{cables} cables: up to {share:.0%} of rom_m with all effort; allowed: {WHOLE_SHARE:.0%} or more"
            yield LifterFinding("brings a light load through the range", detail)
        yield from _capacities(done)
    far_too_much = _Set(one, min(4.0 * load_n, _STRONGEST_N))
    gave_up = far_too_much.run(_GIVES_UP_WITHIN_S, lambda plant: plant.done)
    if far_too_much.plant.truth.repetitions:
        yield LifterFinding("never brings a load far too great through", f"{min(4.0 * load_n, _STRONGEST_N):.0f} N")
    if not gave_up:
        detail = f"after {_GIVES_UP_WITHIN_S:g} s the phase is {far_too_much.plant.phase.name}"
        yield LifterFinding("gives a load far too great up", detail)
    yield from _capacities(far_too_much)


def _rests(one: Lifter, _again: Lifter, load_n: float) -> Iterator[LifterFinding]:
    lifting = _Set(one, 0.5 * load_n)
    lifting.run(_TRIES_S, lambda plant: plant.attempts_ended > 1 or plant.done)
    lifting.load(0.0)
    put_down = lifting.run(_PUTS_DOWN_WITHIN_S, lambda plant: plant.done)
    lifting.run(3.0)
    if not put_down or not lifting.plant.docked:
        detail = f"{_PUTS_DOWN_WITHIN_S:g} s after the load has gone, the phase is {lifting.plant.phase.name}"
        yield LifterFinding("puts an unloaded handle down", detail)
    lifter = lifting.plant.lifter
    for duration_s in (0.0, 0.003, 20.0, 600.0):
        before = lifter.capacity()
        lifter.rest(duration_s)
        after = lifter.capacity()
        if not before - 1e-9 <= after <= 1.0 + 1e-9:
            detail = f"rest({duration_s:g}) took capacity() from {before:.4f} to {after:.4f}"
            yield LifterFinding("rest does not make weaker", detail)


def _capacities(done: _Set) -> Iterator[LifterFinding]:
    """Capacity is a share, and no ascent makes anybody stronger."""
    for _, capacity, *_ in done.rows:
        if not -1e-9 <= capacity <= 1.0 + 1e-9:
            yield LifterFinding("capacity() is a share", f"it is {capacity!r}; allowed: 0 to 1")
            return
    start: float | None = None
    for phase, capacity, *_ in done.rows:
        if phase != Phase.CONCENTRIC:
            start = None
            continue
        start = capacity if start is None else start
        if capacity > start + _RISE:
            yield LifterFinding(
                "an ascent makes nobody stronger", f"capacity() rose from {start:.3f} to {capacity:.3f}"
            )
            return


def _strength(one: Lifter, found: list[float]) -> Iterator[LifterFinding]:
    """Find a load that comes through once, within a factor of two of the greatest."""
    load_n, up = _FIRST_N, None
    while 1.0 <= load_n <= _STRONGEST_N:
        records = lift_once(one, strong_rig(10_000.0), load_n).truth.records
        through = any(record.completed for record in records)
        up = through if up is None else up
        if through:
            found[:] = [load_n]
        if through != up:
            return
        load_n *= 2.0 if up else 0.5
    if up:
        yield LifterFinding("fails at some load", f"{_STRONGEST_N:g} N came through")
    else:
        yield LifterFinding("lifts something once with all effort", "not even 1 N came through")


def _where(first: _Set, second: _Set) -> str:
    """At what time two sets part."""
    for k, (a, b) in enumerate(zip(first.rows, second.rows, strict=False)):
        if a != b:
            return f"from {(k + 1) * _STEPS / 1000.0:.2f} s on"
    return "in length"
