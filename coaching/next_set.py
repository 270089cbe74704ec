"""Advice for the next set, from what a set showed: rest, start load, and whether the start load was right.

Estimates with their ranges for a person to weigh, from published recovery and the controller's own estimates. Pure
functions; no tool acts on the advice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.strength import chart_repetitions

HALF_TIMES_S: Final = (28.0, 63.0)
"""Half-times of recovery at rest: 27.5 s (shoulder, 3CC-r, Looft & Frey-Law 2020) to 62.5 s (elbow, Rakshit et al.
2021); phosphocreatine after a sprint 56.6 ± 7.3 s (Bogdanis et al. 1995) lies between."""
RECOVERED_LOSS: Final = 0.05
LONGEST_ADVISED_S: Final = 300.0
"""Second sets at 75 % of 1RM did 0.81, 0.87 and 1.00 of the work after 1, 3 and 5 min (Richmond & Godard 2004), so
five minutes is always within the range, even where the half-times alone would make it shorter."""
STALE_SDS: Final = 2.0
"""The profile is doubted beyond this many standard deviations of the difference; common practice, no source."""
FITTING_PART: Final = 0.8
"""Share of the day's 1RM at which a set that begins with several repetitions starts; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: its subject, the short answer, and the reason."""

    about: str
    answer: str
    because: str


def rest_range_s(loss: float) -> tuple[float, float]:
    """Shortest and longest rest until the estimated loss of capacity is down to 5 % of fresh.

    Args:
        loss: estimated loss of capacity at the end of the set, 0 to 1.

    Returns:
        Shortest and longest rest, s.
    """
    halvings = math.log2(loss / RECOVERED_LOSS) if loss > RECOVERED_LOSS else 0.0
    low, high = (half * halvings for half in HALF_TIMES_S)
    return low, max(high, LONGEST_ADVISED_S if loss > RECOVERED_LOSS else 0.0)


def loss_after(loss: float, rest_s: float) -> tuple[float, float]:
    """Least and greatest loss that remains after a rest, by the two half-times.

    Args:
        loss: estimated loss of capacity when the rest begins, 0 to 1.
        rest_s: rest, s.
    """
    low, high = (loss * 0.5 ** (rest_s / half) for half in HALF_TIMES_S)
    return low, high


def advised_rest_s(item: RecordedSet) -> float:
    """The rest that the advice names, s; 0 when nothing could be estimated."""
    loss = item.loss_at_end()
    return 0.0 if loss is None else _to_half_minutes(sum(rest_range_s(loss)) / 2.0)


def advice(item: RecordedSet) -> list[Advice]:
    """Rest and start load for another set like this one, or a statement that there is no basis for advice."""
    loss, fresh_n = item.loss_at_end(), item.fresh_n()
    if loss is None or fresh_n is None:
        return [Advice("Next set", "cannot be said", "No repetition has an estimate of capacity.")]
    low_s, high_s = rest_range_s(loss)
    rest_s = advised_rest_s(item)
    found = [_rest(loss, low_s, high_s, rest_s), _start_load(item, fresh_n, loss, rest_s)]
    return [*found, *(extra for extra in (_fit_of_start(item, fresh_n), _profile(item, fresh_n)) if extra is not None)]


def _rest(loss: float, low_s: float, high_s: float, rest_s: float) -> Advice:
    if loss <= RECOVERED_LOSS:
        return Advice("Rest before the next set", "as you like", f"Only {formatting.part(loss)} of capacity was lost.")
    return Advice(
        "Rest before the next set",
        f"about {_minutes(rest_s)}",
        f"Between {_minutes(low_s)} and {_minutes(high_s)}, until the estimated loss of {formatting.part(loss)} is "
        "down to "
        f"{formatting.part(RECOVERED_LOSS)}; people differ that much. Sooner is possible, with fewer repetitions.",
    )


def _start_load(item: RecordedSet, fresh_n: float, loss: float, rest_s: float) -> Advice:
    """The same share of the capacity expected then as the start load was of the fresh capacity."""
    unit, start_n = item.prescription.units, item.prescription.load.start_n
    least, most = loss_after(loss, rest_s)
    high_n, low_n = start_n * (1.0 - least), start_n * (1.0 - most)
    return Advice(
        "Start load",
        formatting.load((low_n + high_n) / 2.0, unit),
        f"From {formatting.load(low_n, unit)} to {formatting.load(high_n, unit)} after that rest: the same part of "
        "capacity as "
        f"{formatting.load(start_n, unit)} was today, {formatting.part(start_n / fresh_n)} of an estimated 1RM of "
        "the day of "
        f"{formatting.load(fresh_n, unit)}.",
    )


def _fit_of_start(item: RecordedSet, fresh_n: float) -> Advice | None:
    unit, start_n = item.prescription.units, item.prescription.load.start_n
    first = [r for r in item.repetitions if r.cable == 0 and r.at_first_load]
    done = sum(r.outcome is RepetitionOutcome.COMPLETED for r in first)
    if done >= 2 or not item.moments:
        return None
    return Advice(
        "Was the start load right?",
        "it was heavy",
        f"{formatting.plural(done, 'repetition')} at {formatting.load(start_n, unit)}. "
        f"{formatting.part(FITTING_PART)} of the "
        f"estimated 1RM of the day is {formatting.load(FITTING_PART * fresh_n, unit)}; the handbook chart gives "
        f"{chart_repetitions(100 * FITTING_PART):.0f} repetitions there.",
    )


def profile_looks_out_of_date(item: RecordedSet, fresh_n: float) -> bool:
    """Whether the 1RM of the day no longer fits that of the profile that the set was armed with.

    Args:
        item: the recorded set; one without a profile, or with a profile without 1RM, fits.
        fresh_n: its 1RM of the day, newtons.
    """
    day_sd_n = item.fresh_sd_n()
    if item.profile is None or item.profile.one_rm_n is None or day_sd_n is None:
        return False
    stored = item.profile.one_rm_n
    return abs(fresh_n - stored.mean) > STALE_SDS * math.hypot(day_sd_n, stored.sd)


def _profile(item: RecordedSet, fresh_n: float) -> Advice | None:
    """Advice on the profile, if the day's estimate no longer fits the one that the set was armed with."""
    if item.profile is None or item.profile.one_rm_n is None or not profile_looks_out_of_date(item, fresh_n):
        return None
    stored, unit, day_sd_n = item.profile.one_rm_n, item.prescription.units, item.fresh_sd_n() or 0.0
    return Advice(
        "Profile",
        "looks out of date",
        f"It holds a 1RM of {formatting.load(stored.mean, unit)} ± {formatting.load(Z_INTERVAL * stored.sd, unit)} of "
        f"{item.profile.date}; "
        f"today's estimate is {formatting.load(fresh_n, unit)} ± {formatting.load(Z_INTERVAL * day_sd_n, unit)} "
        "(80 % ranges). "
        "Build a new one with `ebbset profile`.",
    )


def _to_half_minutes(seconds: float) -> float:
    return max(30.0, round(seconds / 30.0) * 30.0)


def _minutes(seconds: float) -> str:
    if seconds < 55:
        return f"{round(seconds / 5) * 5} s"
    halves = round(seconds / 30.0)
    return f"{halves // 2} min" if halves % 2 == 0 else f"{halves / 2:.1f} min"
