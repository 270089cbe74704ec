"""A plan for the minutes available: every candidate run on simulated twins of the lifter, judged and compared.

All candidates run on the same twins, through the real controller, so that they can be compared pair by pair. What a
repetition was worth comes from `models.physiology.stimulus`, under the same draws for all. What another candidate beats
in nine pairs of ten is never suggested. Of the others, the one with the least expected loss is recommended: what a pair
of twin and draw loses on average by doing it instead of the best candidate of that pair. Where the twins are too few to
tell whose loss is least, there is no clear winner. The figures are simulated, relative and estimated. What the
candidates are is the business of `candidates`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Generic, Protocol, TypeVar

import numpy as np

from ebbset.coaching.candidates import Candidate, Wishes
from ebbset.coaching.worth import HARD_RESERVE, Range, done_of
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.physiology.stimulus import Done, Draws, FloatArray, moved_by, rested, straight_sets_worth, worth
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.closed_loop.parallel import Mapper
from ebbset.simulators.closed_loop.simulated_set import LoopSettings
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.rig.simulated_rig import STEP_S

SURE: Final = 0.9
"""What another candidate beats in this share of the pairs is never suggested; our judgement."""
CLEAR: Final = 2.0
"""A loss is less than another if their difference is more than this many standard errors over the twins from zero."""
LATER_REST_S: Final = 90.0
"""Rest between the straight sets that follow later in the session."""
_LAST_REPETITION: Final = 0.05
"""The budget ends a set with the repetition that spends it, so the loss is over the limit by part of one repetition."""


@dataclass(frozen=True, slots=True)
class CandidateTrial:
    """One candidate on one twin: all that a worker process needs to run it.

    Attributes:
        candidate: what is done.
        twin: who does it.
        profile: what the controller is told about the lifter.
        rig: the rig.
        seed: seed of the plan.
        number: the twin's number, which selects its random numbers.
    """

    candidate: Candidate
    twin: LifterParameters
    profile: LifterProfile
    rig: RigParameters
    seed: int
    number: int


@dataclass(frozen=True, slots=True)
class TrialResult:
    """The outcome of one candidate on one twin.

    Attributes:
        done: the repetitions, with reserve and fatigue.
        minutes: duration, rests between sets included.
        fatigue_left: loss of capacity at the end, 0 to 1; the simulator's truth.
        repetitions: completed repetitions.
        drops: drops of load.
        breaches: broken invariants.
        ended_by: reason code of the last set; empty when it has no result.
    """

    done: Done
    minutes: float
    fatigue_left: float
    repetitions: int
    drops: int
    breaches: int
    ended_by: str


class Weighed(Protocol):
    """What can be recommended: figures over the same twins and the same draws as those it stands against."""

    @property
    def title(self) -> str:
        """What it is, without commas, since it stands in lists."""

    @property
    def minutes(self) -> Range:
        """Duration, range over the twins."""

    @property
    def fatigue_left(self) -> Range:
        """Loss of capacity at the end, 0 to 1, range over the twins."""

    @property
    def net(self) -> Range:
        """Net stimulus, range over twins and draws."""

    @property
    def net_pairs(self) -> FloatArray:
        """Net stimulus of every pair, shape (twins, draws)."""

    @property
    def obstacles(self) -> tuple[str, ...]:
        """Sentences that say why it does not fit the wishes."""


W = TypeVar("W", bound=Weighed)


@dataclass(frozen=True, slots=True)
class Judged:
    """A candidate over all twins and draws.

    Attributes:
        candidate: the candidate.
        minutes: duration, range over the twins.
        fatigue_left: loss of capacity at the end, 0 to 1, range over the twins; the simulator's truth.
        exceeding: share of the twins that lose more than allowed; 0 without a limit.
        repetitions: completed repetitions, range over the twins.
        hard_repetitions: repetitions with at most four in reserve (estimated), range over the twins.
        stimulus: relative, estimated; range over twins and draws.
        net: stimulus less what later sets lose through the fatigue left behind; range over twins and draws.
        net_pairs: net stimulus of every pair, shape (twins, draws).
        moved_by: assumption -> share of the variance of the middle twin's stimulus.
        obstacles: sentences that say why it does not fit the wishes; empty when it does.
        breaches: broken invariants in all its runs; 0 if the system is sound.
    """

    candidate: Candidate
    minutes: Range
    fatigue_left: Range
    exceeding: float
    repetitions: Range
    hard_repetitions: Range
    stimulus: Range
    net: Range
    net_pairs: FloatArray
    moved_by: dict[str, float]
    obstacles: tuple[str, ...]
    breaches: int

    @property
    def title(self) -> str:
        """That of the candidate."""
        return self.candidate.title


@dataclass(frozen=True, slots=True)
class Plan(Generic[W]):
    """Candidates, best first, and the recommendation.

    Attributes:
        judged: all candidates: those that fit first, then by median net stimulus.
        winner: the recommended one; None when there is no clear winner or nothing fits.
        level: those that fit and that no other beats in `SURE` of the pairs, least expected loss first.
        losses: expected loss of each in ``level``, as a share of what the best candidate of each pair does on average.
        suggestion: the winner, or else, of those whose losses cannot be told apart from the least, the one that leaves
            the least fatigue; None if nothing fits.
        reason: sentences that explain the recommendation.
        twins: number of simulated twins.
    """

    judged: tuple[W, ...]
    winner: W | None
    level: tuple[W, ...]
    losses: tuple[float, ...]
    suggestion: W | None
    reason: str
    twins: int


def run_trial(trial: CandidateTrial) -> TrialResult:
    """Run one candidate on one twin, through the real controller."""
    streams = np.random.SeedSequence(trial.seed, spawn_key=(trial.number,))
    plant = Plant(trial.rig, trial.twin, np.random.default_rng(streams.spawn(1)[0]), STEP_S)
    parts: list[Done] = []
    seconds, repetitions, drops, breaches, ended_by = 0.0, 0, 0, 0, ""
    for number in range(trial.candidate.sets):
        if number:
            plant.advance(round(trial.candidate.rest_between_s / STEP_S))
            seconds += trial.candidate.rest_between_s
        run = run_set(
            trial.candidate.prescription,
            trial.twin,
            trial.rig,
            seed=streams.spawn(1)[0],
            profile=trial.profile,
            plant=plant,
            controller_factory=installed_controller,
            settings=LoopSettings(keep_outputs=True),
        )
        parts.append(done_of(run.repetitions, run.decisions))
        seconds += run.duration_s
        breaches += len(run.violations)
        if run.result is not None:
            repetitions += run.result.repetitions
            drops += run.result.drops
            ended_by = run.result.reason.value
    return TrialResult(
        done=joined(parts, cables=trial.rig.n_cables),
        minutes=seconds / 60.0,
        fatigue_left=1.0 - run.capacity_after,
        repetitions=repetitions,
        drops=drops,
        breaches=breaches,
        ended_by=ended_by,
    )


def joined(parts: Sequence[Done], *, cables: int) -> Done:
    """The repetitions of several sets; of two cables only one counts, since both took part in every repetition.

    Args:
        parts: one for each set.
        cables: of the rig.
    """
    return Done(
        reserve=np.concatenate([p.reserve[::cables] for p in parts]),
        reserve_sd=np.concatenate([p.reserve_sd[::cables] for p in parts]),
        fatigue=np.concatenate([p.fatigue[::cables] for p in parts]),
        fatigue_sd=np.concatenate([p.fatigue_sd[::cables] for p in parts]),
        completed=np.concatenate([p.completed[::cables] for p in parts]),
    )


def make_plan(
    profile: LifterProfile,
    wishes: Wishes,
    found: Sequence[Candidate],
    twins: Sequence[LifterParameters],
    draws: Draws,
    *,
    rig: RigParameters,
    seed: int,
    mapper: Mapper = map,
) -> Plan[Judged]:
    """Run every candidate on every twin and compare them.

    Args:
        profile: the lifter, as the controller is told.
        wishes: what the plan must fit into.
        found: candidates, each with a key of its own.
        twins: simulated lifters fitted to the profile.
        draws: draws of the assumptions.
        rig: the rig.
        seed: seed of the runs; twin ``i`` has the same random numbers under every candidate.
        mapper: `map`, or a parallel version that keeps the order.

    Raises:
        ValueError: no candidates or no twins.
    """
    if not found or not twins:
        raise ValueError(f"candidates, twins are {len(found)}, {len(twins)}; allowed: one or more of each")
    trials = [
        CandidateTrial(candidate, twin, profile, rig, seed, number)
        for candidate in found
        for number, twin in enumerate(twins)
    ]
    results = list(mapper(run_trial, trials))
    n = len(twins)
    judged = [judge(c, results[k * n : (k + 1) * n], wishes, draws) for k, c in enumerate(found)]
    return recommend(judged, n)


def judge(candidate: Candidate, results: Sequence[TrialResult], wishes: Wishes, draws: Draws) -> Judged:
    """Judge one candidate by its results.

    Args:
        candidate: the candidate.
        results: its outcome on each twin, one or more.
        wishes: what the plan must fit into.
        draws: draws of the assumptions.
    """
    gross = np.stack([worth(draws, r.done).sum(axis=1) for r in results])
    net = gross.copy()
    if wishes.later_sets:
        fresh = straight_sets_worth(draws, wishes.later_sets, LATER_REST_S)
        for row, result in zip(net, results, strict=True):
            tired = rested(result.fatigue_left, wishes.later_break_s)
            row -= fresh - straight_sets_worth(draws, wishes.later_sets, LATER_REST_S, tired)
    middle = results[int(np.argsort(np.median(gross, axis=1))[len(results) // 2])].done
    minutes = Range.over(np.array([r.minutes for r in results]))
    left = np.array([r.fatigue_left for r in results])
    limit = 1.0 if wishes.fatigue_left is None else wishes.fatigue_left + _LAST_REPETITION
    exceeding = float(np.mean(left > limit))
    return Judged(
        candidate=candidate,
        minutes=minutes,
        fatigue_left=Range.over(left),
        exceeding=exceeding,
        repetitions=Range.over(np.array([r.repetitions for r in results], dtype=np.float64)),
        hard_repetitions=Range.over(
            np.array([float(np.sum(r.done.completed & (r.done.reserve <= HARD_RESERVE))) for r in results])
        ),
        stimulus=Range.over(gross.ravel()),
        net=Range.over(net.ravel()),
        net_pairs=net,
        moved_by=moved_by(draws, lambda held: np.asarray(worth(held, middle).sum(axis=1), dtype=np.float64)),
        obstacles=tuple(_obstacles(minutes, exceeding, wishes)),
        breaches=sum(r.breaches for r in results),
    )


def _obstacles(minutes: Range, exceeding: float, wishes: Wishes) -> Iterator[str]:
    if minutes.middle > wishes.minutes:
        yield f"takes {minutes.middle:.1f} min; {wishes.minutes:g} are available"
    if wishes.fatigue_left is not None and exceeding > wishes.exceeding:
        yield (
            f"costs {exceeding:.0%} of the twins more than {wishes.fatigue_left:.0%} of their capacity; at most "
            f"{wishes.exceeding:.0%} of them may"
        )


def recommend(judged: Sequence[W], twins: int) -> Plan[W]:
    """Order the candidates and say which one is recommended, or that there is no clear winner.

    Args:
        judged: the candidates, one or more, on the same twins under the same draws.
        twins: number of simulated twins, for the plan.
    """
    ordered = sorted(judged, key=lambda j: (bool(j.obstacles), -j.net.middle))
    fitting = [j for j in ordered if not j.obstacles]
    if not fitting:
        return Plan(tuple(ordered), None, (), (), None, "No candidate fits the limits; each line says why.", twins)
    most = np.max([j.net_pairs for j in fitting], axis=0)
    unbeaten = [j for j in fitting if all(_better(other, j) < SURE for other in fitting)]
    level = sorted(unbeaten, key=lambda j: -float(np.mean(j.net_pairs)))
    losses = tuple(float(np.mean(most - j.net_pairs) / max(float(np.mean(most)), 1e-9)) for j in level)
    close = [j for j in level if j is level[0] or not _clearly_more(level[0], j)]
    told = [j.title for j in level]
    if len(close) == 1:
        best = level[0]
        reason = (
            f"{best.title}: the least expected loss. On average it does {losses[0]:.0%} less than what is "
            "best for a twin under the assumptions drawn"
        )
        reason += f"; the next, {told[1]}, {losses[1]:.0%} less." if len(level) > 1 else "."
        if len(level) > 1:
            reason += f" Not ruled out, because none is ahead of them in {SURE:.0%} of the pairs: {_listed(told[1:])}."
        else:
            reason += f" It is ahead of each other one in {SURE:.0%} of the pairs or more, or of what is ahead of that."
        return Plan(tuple(ordered), best, tuple(level), losses, best, reason, twins)
    mildest = min(close, key=lambda j: (round(j.fatigue_left.middle, 2), j.minutes.middle))
    reason = (
        f"No clear winner. These cannot be told apart: {_listed([j.title for j in close])}. "
        f"Each does {losses[0]:.0%} to {losses[len(close) - 1]:.0%} less on average than whatever is best for a twin. "
        f"The least fatigue, {mildest.fatigue_left.middle:.0%}, is left by: {mildest.title}."
    )
    return Plan(tuple(ordered), None, tuple(level), losses, mildest, reason, twins)


def _listed(titles: Sequence[str]) -> str:
    """Titles as a list in a sentence."""
    return titles[0] if len(titles) == 1 else ", ".join(titles[:-1]) + " and " + titles[-1]


def _better(a: Weighed, b: Weighed) -> float:
    """Share of the pairs (same twin, same draw) in which ``a`` has the greater net stimulus."""
    return float(np.mean(a.net_pairs > b.net_pairs))


def rules_out(a: Weighed, b: Weighed) -> bool:
    """Whether ``a`` leaves ``b`` no chance to be suggested: ahead in `SURE` of the pairs, or clearly more.

    Args:
        a: one.
        b: another, on the same twins under the same draws.
    """
    return _better(a, b) >= SURE or _clearly_more(a, b)


def _clearly_more(a: Weighed, b: Weighed) -> bool:
    """Whether ``a`` does more than ``b``, averaged over the assumptions, beyond what the choice of twins explains."""
    ahead = np.mean(a.net_pairs - b.net_pairs, axis=1)
    return ahead.size > 1 and float(ahead.mean()) > CLEAR * float(ahead.std(ddof=1)) / math.sqrt(ahead.size)


def chosen_prescription(choice: Judged, *, simulated_profile: bool = False) -> Prescription:
    """The prescription of a candidate, with a note that says where it comes from and how many times to do it.

    Args:
        choice: the candidate.
        simulated_profile: the profile was made from simulated sets; the note then says so.
    """
    candidate = choice.candidate
    notes = (
        f"From a plan made on simulated twins of the lifter: {candidate.title}. Estimated stimulus {choice.stimulus} "
        f"fresh repetitions at failure (relative, estimated), {choice.minutes.middle:.1f} min, "
        f"{choice.fatigue_left.middle:.0%} of capacity lost at the end."
    )
    if candidate.sets > 1:
        notes += f" Do it {candidate.sets} times, {candidate.rest_between_s:.0f} s apart; arm it again each time."
    if simulated_profile:
        notes += " The profile was made from simulated sets: a plan for nobody."
    return candidate.prescription.model_copy(update={"notes": notes})
