"""Why a session is planned as it is, in sentences for a coach: the choice, the doubt, the drops, and the weekly
dose."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from ebbset.coaching.plan import SURE
from ebbset.coaching.sessions.session_drops import DropsAlone, DropsCompared
from ebbset.coaching.sessions.session_judge import doubt_between
from ebbset.coaching.sessions.session_plan import PlannedSession
from ebbset.models.contract import formatting
from ebbset.models.physiology.stimulus import ASSUMPTIONS
from ebbset.models.physiology.weekly_dose import SET_ADVANTAGE, added_at_most

_TOLD: Final = 0.02
"""Assumptions that explain less of the doubt than this are not named."""
_NO_COST: Final = 0.01
"""Below this share of what they do, the other exercises lose nothing that is worth a word; judgement."""


def reasons(planned: PlannedSession) -> Iterator[str]:
    """The sentences, most important first.

    Args:
        planned: the plan.
    """
    plan = planned.plan
    yield f"Simulated on {formatting.plural(plan.twins, 'twin')} of the lifter, relative and estimated. {plan.reason}"
    if len(plan.level) > 1:
        yield _doubt(planned)
    for one in planned.drops:
        yield _drops(one, planned.drops_on)
    for alone in planned.alone:
        yield _alone(alone)
    times = planned.measure.times_a_week
    yield (
        f"What more sets can add is bounded: beyond the first set of an exercise, stimulus counts for at most "
        f"{added_at_most(times):.0%}, from the upper end of {SET_ADVANTAGE.mean:g} ({SET_ADVANTAGE.low:g} to "
        f"{SET_ADVANTAGE.high:g}) more effect size for each weekly set, at {times:g} such sessions a week "
        f"({SET_ADVANTAGE.source})."
    )


def _doubt(planned: PlannedSession) -> str:
    best, other = planned.plan.level[:2]
    twins, shares = doubt_between(best, other, planned.measure)
    named = [f"{ASSUMPTIONS[name].label} ({share:.0%})" for name, share in shares.items() if share > _TOLD][:3]
    rest = f"; of the rest most comes from: {'; '.join(named)}" if named else ""
    return (
        f"What drives the doubt between the first two: how the lifter tires, which the twins differ in, explains "
        f"{twins:.0%} of it{rest}."
    )


def _drops(one: DropsCompared, twins: int) -> str:
    where = {"last": "the last set", "first": "the first set", "only": "the only set"}[one.place]
    if one.ahead >= SURE:
        verdict = "a set that keeps dropping belongs there"
    elif one.ahead <= 1.0 - SURE:
        verdict = "a set that keeps dropping does not belong there"
    else:
        verdict = "whether a set that keeps dropping belongs there cannot be told"
    others = ""
    if one.followed:
        others = (
            f", with {abs(one.others):.0%} {'less' if one.others < 0.0 else 'more'} for the other exercises"
            if abs(one.others) >= _NO_COST
            else ", at no cost to the other exercises"
        )
    against = "the same set done last" if one.place == "first" else "a straight set in its place"
    more = "more" if one.gain >= 0.0 else "less"
    longer = "longer" if one.minutes >= 0.0 else "shorter"
    return (
        f"{_name(one.exercise)}, {where}: {verdict}. Against {against} the session does "
        f"{abs(one.gain):.0%} {more}{others}, takes {abs(one.minutes):.1f} min {longer}, and does more in "
        f"{one.ahead:.0%} of the pairs of twin and assumptions ({formatting.plural(twins, 'twin')})."
    )


def _alone(one: DropsAlone) -> str:
    straight = formatting.plural(one.sets, "straight set")
    said = (
        f"{_name(one.exercise)}, by itself: one set that keeps dropping takes {one.minutes:.1f} min and does "
        f"{one.share:.0%} of what {straight} in {one.straight_minutes:.1f} min {'does' if one.sets == 1 else 'do'} "
        f"(simulated, within the bound on weekly sets). "
    )
    quicker = one.minutes < one.straight_minutes and one.share > one.minutes / one.straight_minutes
    if one.ahead >= SURE:
        return said + f"It does more in {one.ahead:.0%} of the pairs, so it can take their place."
    less = f"it does more than they do in only {one.ahead:.0%} of the pairs"
    if one.ahead <= 1.0 - SURE:
        place = f"where there is time for {straight} it does not belong in their place: {less}"
    else:
        place = f"whether it can take their place where there is time for them cannot be told: {less}"
    return said + (f"It belongs there when time is short; {place}." if quicker else f"It saves no time, and {place}.")


def _name(exercise: str) -> str:
    return exercise.replace("_", " ").capitalize()
