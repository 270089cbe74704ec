"""One labelled set against what ebbset said of it, in the terms in which simulated sets are judged.

Labels become attempts of known end, and the same functions score them that score the simulator's truth: `score_calls`
for stalls, `EstimateErrors` for estimates, `steps_between` for repetitions per step. Nothing is counted here anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from ebbset.simulators.evaluation.detector_runs import SetScore, score_calls
from ebbset.simulators.evaluation.estimates import LEAST_DONE, MOST_LEFT, EstimateErrors, MomentTruth
from ebbset.simulators.evaluation.ground_truth import Attempt
from ebbset.simulators.evaluation.labelled.agreement import AgreedAttempt, LabelledSet
from ebbset.simulators.evaluation.labelled.labels import AttemptOutcome
from ebbset.simulators.evaluation.labelled.watching import ToldRepetition, WatchedSet
from ebbset.simulators.evaluation.sizing import StepRow, steps_between

SAME_REPETITION_S: Final = 0.75
"""A repetition of ebbset's may end so much later than the label that it belongs to; judgement, no source."""
GOES_ON_S: Final = 0.05
"""An attempt that begins so soon after the one before it is the same ascent, at another load."""
_NOT_DONE: Final = frozenset({AttemptOutcome.FAILED, AttemptOutcome.CUT_SHORT})
_END_SHARE: Final = {
    AttemptOutcome.COMPLETED: (False, 1.0),
    AttemptOutcome.FAILED: (True, 0.5),
    AttemptOutcome.CUT_SHORT: (False, 0.5),
    AttemptOutcome.UNCLEAR: (True, 1.0),
}
"""Whether it stalled, and a share of the range that puts it among the attempts that count, or among those left out."""


@dataclass(frozen=True, slots=True)
class SetJudgement:
    """One cable of one set, judged.

    Attributes:
        person: pseudonym.
        exercise: its name.
        score: stalls that were called, against attempts.
        errors: estimates against what the labels know.
        steps: steps between drops of ebbset's.
        own_reserve: lifter's own call of the reserve less the truth.
        repetitions_missed: completed by the labels, of which ebbset reports no completed repetition.
        repetitions_more: completed by ebbset, by the labels not even tried, failed or cut short.
        unclear: attempts that no figure counts.
    """

    person: str
    exercise: str
    score: SetScore
    errors: EstimateErrors
    steps: tuple[StepRow, ...]
    own_reserve: tuple[float, ...]
    repetitions_missed: int
    repetitions_more: int
    unclear: int


def judge(labelled: LabelledSet, watched: WatchedSet) -> SetJudgement:
    """Hold what ebbset said of one cable of a set against its labels.

    Args:
        labelled: by people or by a simulator, on the recording's clock.
        watched: what ebbset said of the same set.
    """
    attempts = labelled.attempts
    completed = [one for one in attempts if one.outcome is AttemptOutcome.COMPLETED]
    mine = [one for one in watched.repetitions if one.cable == labelled.cable]
    matched = _matched(mine, attempts)
    errors = EstimateErrors()
    done = 0
    for told, attempt in zip(mine, matched, strict=True):
        done += told.completed
        if attempt is not None and done:
            truth = _truth(labelled, attempt)
            errors.add(told.told, truth, done=done, completed=told.completed)
    steps: tuple[StepRow, ...] = ()
    if watched.commanded and watched.wanted is not None:
        ends = [one.end_s for one in completed]
        drops = [t_s for t_s in watched.drops_s if attempts and t_s < attempts[-1].end_s + SAME_REPETITION_S]
        steps = steps_between(
            drops, watched.ended, ends, policy="wanted", exercise=watched.exercise, wanted=watched.wanted
        )
    counted = {id(one) for told, one in zip(mine, matched, strict=True) if told.completed and one is not None}
    return SetJudgement(
        person=labelled.person,
        exercise=watched.exercise,
        score=score_calls(
            attempts_of_labels(attempts),
            watched.calls_of(labelled.cable),
            behaviour="labelled",
            exercise=watched.exercise,
        ),
        errors=errors,
        steps=steps,
        own_reserve=tuple(_own_reserve(attempts)),
        repetitions_missed=sum(id(one) not in counted for one in completed),
        repetitions_more=sum(
            told.completed and (one is None or one.outcome in _NOT_DONE)
            for told, one in zip(mine, matched, strict=True)
        ),
        unclear=sum(one.outcome is AttemptOutcome.UNCLEAR for one in attempts),
    )


def attempts_of_labels(attempts: Sequence[AgreedAttempt]) -> list[Attempt]:
    """Labels as attempts of known end.

    Args:
        attempts: of one cable of one set, oldest first.
    """
    goes_on = [False, *(after.start_s - before.end_s <= GOES_ON_S for before, after in pairwise(attempts))]
    out = []
    for one, continued in zip(attempts, goes_on, strict=True):
        stalled, end_share = _END_SHARE[one.outcome]
        out.append(
            Attempt(
                start_s=one.start_s,
                end_s=one.end_s,
                stalled=stalled,
                motion_ended_s=one.start_s if one.motion_ended_s is None else one.motion_ended_s,
                failed_s=one.end_s,
                slowest_m_s=0.0,
                load_n=one.load_n,
                end_share=end_share,
                continued=continued,
            )
        )
    return out


def reserve_left(attempts: Sequence[AgreedAttempt], after: AgreedAttempt) -> int | None:
    """Repetitions that were still completed after one, at the load of the set's beginning, before one failed.

    Args:
        attempts: of the set, oldest first.
        after: one of them.

    Returns:
        None where none failed at that load, or the load had changed before.
    """
    load_n = attempts[0].load_n
    left = 0
    reached = False
    for one in attempts:
        if abs(one.load_n - load_n) > 0.005 * load_n:
            return None
        if reached and one.outcome is AttemptOutcome.FAILED:
            return left
        if one.outcome in (AttemptOutcome.FAILED, AttemptOutcome.UNCLEAR):
            return None
        left += reached and one.outcome is AttemptOutcome.COMPLETED
        reached = reached or one is after
    return None


def _truth(labelled: LabelledSet, attempt: AgreedAttempt) -> MomentTruth:
    known = labelled.one_rm_n is not None and attempt.capacity_n is not None
    share = (attempt.capacity_n or 0.0) / (labelled.one_rm_n or 1.0) if known else None
    return MomentTruth(labelled.one_rm_n, share, reserve_left(labelled.attempts, attempt))


def _own_reserve(attempts: Sequence[AgreedAttempt]) -> list[float]:
    """The lifter's own call less the truth, under the rule by which ebbset's is judged."""
    out = []
    done = 0
    for one in attempts:
        done += one.outcome is AttemptOutcome.COMPLETED
        left = reserve_left(attempts, one)
        if one.reserve is not None and left is not None and left <= MOST_LEFT and done >= LEAST_DONE:
            out.append(one.reserve - left)
    return out


def _matched(repetitions: Sequence[ToldRepetition], attempts: Sequence[AgreedAttempt]) -> list[AgreedAttempt | None]:
    """The label of each repetition: the one that it ends in, or soon after; each label once."""
    free = list(attempts)
    out: list[AgreedAttempt | None] = []
    for told in repetitions:
        t_s = told.t_s
        there = [one for one in free if one.start_s < t_s <= one.end_s + SAME_REPETITION_S]
        nearest = min(there, key=lambda one: abs(one.end_s - t_s), default=None)
        if nearest is not None:
            free.remove(nearest)
        out.append(nearest)
    return out
