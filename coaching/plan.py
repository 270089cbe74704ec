"""Which set for the minutes there are: candidates as prescriptions, run on a lifter's twins and weighed.

Every candidate is a prescription that can be served as it is. All run on the same twins, through the real controller,
so that they are compared pair by pair; what a repetition was worth comes from `models.physiology.stimulus` under the
same draws for all. A candidate is recommended only where it is better than the others in most pairs; otherwise there
is no clear winner, and the plan says so. Simulated, relative, estimated; the console decides how it is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from ebbset.coaching.worth import HARD_RESERVE, Range, done_of
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.units import LoadUnit
from ebbset.models.physiology.stimulus import Done, Draws, FloatArray, moved_by, rested, straight_sets_worth, worth
from ebbset.simulators.closed_loop.closed_loop import LoopSettings, run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.rig.plant import Plant
from ebbset.simulators.rig.rig_parameters import RigParameters
from ebbset.simulators.rig.simulated_rig import STEP_S

START_SHARE: Final = 0.75
FLOOR_SHARE: Final = 0.35
"""Start and floor as part of 1RM; about ten repetitions, and about what drop-set protocols end at (80 to 30 %: Ozaki
et al. 2018 J Sports Sci 36:691-696)."""
MOST_SHARE: Final = 0.85
"""No start load above this part of the 1RM at the low end of its 80 % interval; judgement, for vague profiles."""
LONG_REST_S: Final = 120.0
SHORT_REST_S: Final = 60.0
PAUSE_REST_S: Final = 20.0
BETWEEN_SETS_S: Final = 180.0
SET_S: Final = 40.0
"""Rough length of a straight set, only to decide how many are tried in the minutes there are."""
DROP_SET_S: Final = 150.0
"""A drop set is over by then at the latest; common practice, no source."""
SURE: Final = 0.9
_MINUTES_OVER: Final = 0.1
LATER_REST_S: Final = 90.0
Mapper = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to spend the minutes.

    Attributes:
        key: short name, for choosing.
        title: in the words of the trade.
        prescription: one set, to be served as it is.
        sets: how often it is done.
        rest_between_s: rest between these, s.
    """

    key: str
    title: str
    prescription: Prescription
    sets: int = 1
    rest_between_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the plan must fit into.

    Attributes:
        minutes: there are.
        fatigue_left: most loss of capacity to be left behind at the end, 0 to 1; None: any.
        later_sets: straight sets for the same muscles that the rest of the session still holds.
        later_break_s: break before them, s.
    """

    minutes: float
    fatigue_left: float | None = None
    later_sets: int = 0
    later_break_s: float = 180.0

    def __post_init__(self) -> None:
        if not 0.5 <= self.minutes <= 60.0:
            raise ValueError(f"minutes is {self.minutes!r}; allowed: 0.5 to 60")
        if self.fatigue_left is not None and not 0.02 <= self.fatigue_left < 1.0:
            raise ValueError(f"fatigue_left is {self.fatigue_left!r}; allowed: 0.02 to below 1")
        if not 0 <= self.later_sets <= 20:
            raise ValueError(f"later_sets is {self.later_sets!r}; allowed: 0 to 20")
        if not 0.0 <= self.later_break_s <= 7_200.0:
            raise ValueError(f"later_break_s is {self.later_break_s!r}; allowed: 0 to 7200")


@dataclass(frozen=True, slots=True)
class CandidateTrial:
    """One candidate on one twin, and nothing else; goes to a worker as it is."""

    candidate: Candidate
    twin: LifterParameters
    profile: LifterProfile
    rig: RigParameters
    seed: int
    number: int


@dataclass(frozen=True, slots=True)
class TrialResult:
    """What one candidate came to on one twin."""

    done: Done
    minutes: float
    fatigue_left: float
    repetitions: int
    drops: int
    breaches: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class Judged:
    """A candidate over all twins and draws.

    Attributes:
        candidate: which.
        minutes: over the twins.
        fatigue_left: loss of capacity at the end, over the twins; the simulator's truth.
        repetitions: completed, over the twins.
        hard_repetitions: with at most four in reserve, estimated, over the twins.
        stimulus: relative, estimated; over twins and draws.
        net: the same less what later sets lose by the fatigue left behind; over twins and draws.
        net_pairs: the same, every pair, shape (twins, draws).
        moved_by: assumption -> share of the variance of the middle twin's stimulus.
        obstacles: why it does not fit the wishes, in sentences; empty when it does.
        breaches: broken invariants in all its runs; 0 in a sound system.
    """

    candidate: Candidate
    minutes: Range
    fatigue_left: Range
    repetitions: Range
    hard_repetitions: Range
    stimulus: Range
    net: Range
    net_pairs: FloatArray
    moved_by: dict[str, float]
    obstacles: tuple[str, ...]
    breaches: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Candidates, best first, and what is recommended.

    Attributes:
        judged: all candidates, those that fit first, by the middle of their net stimulus.
        winner: the recommended one; None when there is no clear winner or nothing fits.
        level: those that cannot be told from the best one, the best included.
        suggestion: what to take anyway: the winner, or of the level ones the one that leaves least fatigue.
        reason: in sentences.
        twins: how many lifters were simulated.
    """

    judged: tuple[Judged, ...]
    winner: Judged | None
    level: tuple[Judged, ...]
    suggestion: Judged | None
    reason: str
    twins: int


def candidates(
    profile: LifterProfile, wishes: Wishes, rig: RigParameters, *, units: LoadUnit = "kg"
) -> list[Candidate]:
    """The candidates for a lifter and the minutes there are.

    Args:
        profile: the lifter's profile.
        wishes: minutes and other wishes.
        rig: the rig that they lift on.
        units: unit of the prescriptions.

    Raises:
        ValueError: the profile has no 1RM, or the rig is too weak or too strong for these loads.
    """
    if profile.one_rm_n is None:
        raise ValueError("profile.one_rm_n is missing; allowed: a 1RM, from `ebbset profile`")
    strength = profile.one_rm_n
    prudent = MOST_SHARE * max(strength.mean - Z_INTERVAL * strength.sd, 0.3 * strength.mean)
    start = min(START_SHARE * strength.mean, prudent, rig.max_load_n)
    floor = FLOOR_SHARE / START_SHARE * start
    v1 = profile.velocity_at_1rm_m_s
    still = round(min(0.05, max(0.02, v1.mean - 2.0 * v1.sd)), 3)
    seconds = 60.0 * wishes.minutes

    def order(title: str, bouts: list[dict[str, Any]], drop: dict[str, Any] | None = None, **stop: Any) -> Prescription:
        return Prescription.model_validate(
            {
                "name": title,
                "exercise": profile.exercise,
                "units": units,
                "load": {"start_n": round(start, 1), "floor_n": round(floor, 1)},
                "stall": {"velocity_m_s": still},
                "drop": drop or {"policy": "fixed_fraction", "parameters": {"fraction": 0.2}},
                "stop": {"max_duration_s": max(seconds, 60.0), **stop},
                "bouts": bouts,
            }
        )

    def straight(count: int, rest_s: float, last: str = "end") -> list[dict[str, Any]]:
        bouts = [{"on_stall": "end", **({"rest_before_s": rest_s} if k else {})} for k in range(count)]
        bouts[-1]["on_stall"] = last
        return bouts

    def fitting(rest_s: float) -> int:
        return int(min(max((seconds + rest_s) // (SET_S + rest_s), 1), 10))

    auto = {"policy": "repetitions_wanted", "parameters": {"repetitions": 3}}
    long_sets, short_sets = fitting(LONG_REST_S), fitting(SHORT_REST_S)
    drop_set = order("Classic drop set", [{}], max_drops=3, max_duration_s=min(seconds, DROP_SET_S))
    auto_set = order("Auto-drop set", [{}], auto, max_duration_s=min(seconds, DROP_SET_S))
    pauses = int(min(max((seconds - SET_S) // (PAUSE_REST_S + 10.0), 1), 5))
    found = [
        Candidate("drop", "Classic drop set, three drops of a fifth", drop_set),
        Candidate("auto", "Auto-drop set, about three repetitions a drop", auto_set),
        Candidate(
            "rest-pause",
            f"Rest-pause, {pauses} short bouts after {PAUSE_REST_S:.0f} s each",
            order("Rest-pause", straight(pauses + 1, PAUSE_REST_S)),
        ),
    ]
    if long_sets > 1 or short_sets == 1:
        title = f"{long_sets} straight set{'s' if long_sets > 1 else ''}"
        rests = f", {LONG_REST_S:.0f} s rest" if long_sets > 1 else ""
        found.append(Candidate("straight", title + rests, order("Straight sets", straight(long_sets, LONG_REST_S))))
    if short_sets > 1:
        found.append(
            Candidate(
                "straight-short",
                f"{short_sets} straight sets, {SHORT_REST_S:.0f} s rest",
                order("Straight sets, short rests", straight(short_sets, SHORT_REST_S)),
            )
        )
        found.append(
            Candidate(
                "mixed",
                f"{short_sets - 1} straight set{'s' if short_sets > 2 else ''}, then a last one that drops",
                order("Straight sets, the last one dropping", straight(short_sets, SHORT_REST_S, "drop"), auto),
            )
        )
    if seconds >= 2 * 1.5 * SET_S + BETWEEN_SETS_S:
        title = f"Two auto-drop sets, {BETWEEN_SETS_S:.0f} s between"
        found.append(Candidate("auto-twice", title, auto_set, 2, BETWEEN_SETS_S))
    return found


def run_trial(trial: CandidateTrial) -> TrialResult:
    """One candidate on one twin, through the real controller."""
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
        done=_joined(parts, cables=trial.rig.n_cables),
        minutes=seconds / 60.0,
        fatigue_left=1.0 - run.capacity_after,
        repetitions=repetitions,
        drops=drops,
        breaches=breaches,
        ended_by=ended_by,
    )


def _joined(parts: Sequence[Done], *, cables: int) -> Done:
    """All repetitions of several sets; of two cables every other record is kept, since both did the repetition."""
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
    progress: Callable[[], None] = lambda: None,
) -> Plan:
    """Run every candidate on every twin and weigh them.

    Args:
        profile: what the controller is given.
        wishes: what the plan must fit into.
        found: candidates, each with a key of its own.
        twins: lifters fitted to the profile.
        draws: draws of the assumptions.
        rig: the rig.
        seed: of the runs; twin ``i`` has the same random numbers under every candidate.
        mapper: `map`, or one that spreads work and keeps the order.
        progress: called after each trial.

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
    results = []
    for result in mapper(run_trial, trials):
        results.append(result)
        progress()
    n = len(twins)
    judged = [judge(c, results[k * n : (k + 1) * n], wishes, draws) for k, c in enumerate(found)]
    return recommend(judged, n)


def judge(candidate: Candidate, results: Sequence[TrialResult], wishes: Wishes, draws: Draws) -> Judged:
    """One candidate over its twins.

    Args:
        candidate: what was run.
        results: one per twin.
        wishes: minutes and other wishes.
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
    left = Range.over(np.array([r.fatigue_left for r in results]))
    return Judged(
        candidate=candidate,
        minutes=minutes,
        fatigue_left=left,
        repetitions=Range.over(np.array([r.repetitions for r in results], dtype=np.float64)),
        hard_repetitions=Range.over(
            np.array([float(np.sum(r.done.completed & (r.done.reserve <= HARD_RESERVE))) for r in results])
        ),
        stimulus=Range.over(gross.ravel()),
        net=Range.over(net.ravel()),
        net_pairs=net,
        moved_by=moved_by(draws, lambda held: np.asarray(worth(held, middle).sum(axis=1), dtype=np.float64)),
        obstacles=tuple(_obstacles(minutes, left, wishes)),
        breaches=sum(r.breaches for r in results),
    )


def _obstacles(minutes: Range, left: Range, wishes: Wishes) -> Iterator[str]:
    if minutes.middle > wishes.minutes + _MINUTES_OVER:
        yield f"takes {minutes.middle:.1f} min, there are {wishes.minutes:g}"
    if wishes.fatigue_left is not None and left.middle > wishes.fatigue_left:
        yield f"leaves {left.middle:.0%} of capacity lost, at most {wishes.fatigue_left:.0%} is wished"


def recommend(judged: Sequence[Judged], twins: int) -> Plan:
    """Order the candidates and say which is best, or that none is clearly.

    Args:
        judged: every candidate.
        twins: number of twins that each was run on.
    """
    ordered = sorted(judged, key=lambda j: (bool(j.obstacles), -j.net.middle))
    fitting = [j for j in ordered if not j.obstacles]
    if not fitting:
        return Plan(tuple(ordered), None, (), None, "No candidate fits the wishes; each one's line says why.", twins)
    best = fitting[0]
    level = [j for j in fitting if j is best or _better(best, j) < SURE]
    if len(level) == 1:
        second = fitting[1] if len(fitting) > 1 else None
        reason = f"{best.candidate.title}: the most estimated stimulus of what fits."
        if second is not None:
            gain = Range.over((best.net_pairs / np.maximum(second.net_pairs, 1e-9)).ravel())
            reason += (
                f" It is {gain.middle:.2f} ({gain.low:.2f} to {gain.high:.2f}) times the next best "
                f"({second.candidate.title}), and ahead in {_better(best, second):.0%} of the pairs."
            )
        return Plan(tuple(ordered), best, (best,), best, reason, twins)
    mildest = min(level, key=lambda j: (round(j.fatigue_left.middle, 2), j.minutes.middle))
    names = ", ".join(j.candidate.title for j in level)
    reason = (
        f"No clear winner: {names} cannot be told apart (no one is ahead of all others in {SURE:.0%} of the pairs). "
        f"Of these {mildest.candidate.title} leaves the least fatigue, {mildest.fatigue_left.middle:.0%}."
    )
    return Plan(tuple(ordered), None, tuple(level), mildest, reason, twins)


def _better(a: Judged, b: Judged) -> float:
    """Share of pairs (same twin, same draw) in which ``a`` has the greater net stimulus."""
    return float(np.mean(a.net_pairs > b.net_pairs))


def chosen_prescription(choice: Judged) -> Prescription:
    """The prescription of a candidate with a note that says where it comes from and how often to do it."""
    candidate = choice.candidate
    notes = (
        f"From a plan on simulated twins of the lifter: {candidate.title}. Estimated stimulus {choice.stimulus} "
        f"fresh repetitions at failure (relative, estimated), {choice.minutes.middle:.1f} min, "
        f"{choice.fatigue_left.middle:.0%} of capacity lost at the end."
    )
    if candidate.sets > 1:
        notes += f" Do it {candidate.sets} times, {candidate.rest_between_s:.0f} s apart; arm it anew each time."
    return candidate.prescription.model_copy(update={"notes": notes})
