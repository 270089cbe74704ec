"""What the repetitions of a set were probably worth, from the records of the set: relative, estimated, with ranges.

Turns what the controller recorded into the input of `models.physiology.stimulus`. Where a stall ended a load, the
repetitions in reserve before it are known by counting back; elsewhere they come from the capacity estimate and its
error. Every figure is a range over the draws of the assumptions. Nothing here makes decisions about a set.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from statistics import median
from typing import Final

import numpy as np

from ebbset.coaching.assumptions import report_draws
from ebbset.controller.messages.actions import Decision, RepetitionRecord
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.stimulus import BoolArray, Done, Draws, FloatArray, moved_by, worth

DEFAULT_COST: Final = 0.03
"""Share of the capacity that a repetition costs, used where a set shows nothing better; our judgement for 70 to 80 % of
1RM."""
UNKNOWN_FATIGUE: Final = (0.30, 0.20)
UNKNOWN_RESERVE: Final = (5.0, 4.0)
"""Mean and SD used where nothing was estimated; our judgement, deliberately wide."""
_FAILURES: Final = (RepetitionOutcome.FAILED, RepetitionOutcome.NOT_STARTED)


@dataclass(frozen=True, slots=True)
class Range:
    """A figure over the draws: its median and the range that holds `INTERVAL_COVERAGE` of them."""

    low: float
    middle: float
    high: float

    @classmethod
    def over(cls, values: FloatArray) -> Range:
        """Quantiles of draws, shape (draws,)."""
        tail = (1.0 - INTERVAL_COVERAGE) / 2.0
        low, middle, high = np.quantile(values, (tail, 0.5, 1.0 - tail))
        return cls(float(low), float(middle), float(high))

    def __str__(self) -> str:
        return f"{self.middle:.2f} ({self.low:.2f} to {self.high:.2f})"


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionWorth:
    """One repetition of one cable: what was known and what it was probably worth (1 = fresh, at failure)."""

    record: RepetitionRecord
    reserve: float
    reserve_sd: float
    fatigue: float
    fatigue_sd: float
    relative: Range


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowPair:
    """Two equally slow repetitions, one fresher and one deeper in fatigue, and how their worth differs.

    Attributes:
        fresher: position in `SetWorth.repetitions`.
        deeper: likewise.
        ratio: worth of the deeper one divided by that of the fresher one.
        sure: share of draws in which the deeper one is worth less.
    """

    fresher: int
    deeper: int
    ratio: Range
    sure: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SetWorth:
    """A set, relative and estimated.

    Attributes:
        repetitions: one entry per record, in the order given.
        total: sum over repetitions, cables averaged, in fresh repetitions at failure.
        total_draws: the same under each draw, shape (draws,).
        hard_repetitions: completed with at most 4 in reserve (estimated), cables averaged.
        moved_by: assumption -> share of the total's variance, largest first.
        slow_pair: the pair that best shows what fatigue does to the estimate; None if there is none.
    """

    repetitions: tuple[RepetitionWorth, ...]
    total: Range
    total_draws: FloatArray
    hard_repetitions: float
    moved_by: dict[str, float]
    slow_pair: SlowPair | None


HARD_RESERVE: Final = 4.0
_SAME_SPEED_M_S: Final = 0.03
_FATIGUE_APART: Final = 0.10


def set_worth(records: Sequence[RepetitionRecord], draws: Draws, decisions: Sequence[Decision] = ()) -> SetWorth:
    """Worth of the repetitions of one set.

    Args:
        records: what the controller recorded, all cables, in order.
        draws: draws of the assumptions, e.g. `assumptions.report_draws`.
        decisions: the set's decisions; a repetition in which the load dropped was at failure when it did.
    """
    done = done_of(records, decisions)
    cables = len({record.cable for record in records}) or 1
    each = worth(draws, done)
    totals = each.sum(axis=1) / cables

    def total(held: Draws) -> FloatArray:
        return np.asarray(worth(held, done).sum(axis=1) / cables, dtype=np.float64)

    repetitions = tuple(
        RepetitionWorth(
            record=record,
            reserve=float(done.reserve[k]),
            reserve_sd=float(done.reserve_sd[k]),
            fatigue=float(done.fatigue[k]),
            fatigue_sd=float(done.fatigue_sd[k]),
            relative=Range.over(each[:, k]),
        )
        for k, record in enumerate(records)
    )
    return SetWorth(
        repetitions=repetitions,
        total=Range.over(totals),
        total_draws=totals,
        hard_repetitions=float(are_hard(done).sum()) / cables,
        moved_by=moved_by(draws, total),
        slow_pair=_slow_pair(records, done, each, [_dropped_within(record, decisions) for record in records]),
    )


def are_hard(done: Done) -> BoolArray:
    """Which repetitions were hard: completed, at most `HARD_RESERVE` in reserve (estimated); shape (repetitions,)."""
    return np.asarray(done.completed & (done.reserve <= HARD_RESERVE), dtype=np.bool_)


def done_of(records: Sequence[RepetitionRecord], decisions: Sequence[Decision] = ()) -> Done:
    """Reserve and fatigue of every record, in the order given.

    Args:
        records: what the controller recorded, all cables, in order; n records.
        decisions: the set's decisions; a repetition in which the load dropped was at failure when it did.

    Returns:
        Arrays of shape (n,).
    """
    helped = [_dropped_within(record, decisions) for record in records]
    found: dict[int, tuple[float, float, float, float]] = {}
    for cable in sorted({record.cable for record in records}):
        numbered = [(k, record) for k, record in enumerate(records) if record.cable == cable]
        cost, lost = _cost_per_repetition([record for _, record in numbered])
        fatigue = _fatigue_at_start([record for _, record in numbered], lost)
        reserve: list[tuple[float, float]] = []
        steps = [list(group) for _, group in groupby((r for _, r in numbered), key=lambda r: (r.bout, r.step))]
        stalls_us = [d.t_rig_us for d in decisions if d.cable == cable and d.t_rig_us is not None and _is_stall(d)]
        for step, after in zip(steps, [*steps[1:], None], strict=True):
            dropped = after is not None and after[0].bout == step[0].bout
            until_us = math.inf if after is None else after[0].t_end_us
            stalled = any(step[-1].t_start_us <= t_us < until_us for t_us in stalls_us)
            reserve += _reserve(step, dropped or stalled, cost)
        for (k, _), (left, left_sd), (tired, tired_sd) in zip(numbered, reserve, fatigue, strict=True):
            found[k] = (0.0, 0.0, tired, tired_sd) if helped[k] else (left, left_sd, tired, tired_sd)
    table = np.array([found[k] for k in range(len(records))], dtype=np.float64).reshape(len(records), 4)
    return Done(
        reserve=table[:, 0],
        reserve_sd=table[:, 1],
        fatigue=table[:, 2],
        fatigue_sd=table[:, 3],
        completed=np.array([record.outcome is RepetitionOutcome.COMPLETED for record in records], dtype=np.bool_),
    )


def _is_stall(decision: Decision) -> bool:
    """A stall led to it, whatever was then decided."""
    return any(name == "stalled_s" for name, _ in decision.inputs)


def _dropped_within(record: RepetitionRecord, decisions: Sequence[Decision]) -> bool:
    return any(
        decision.action == "drop"
        and decision.t_rig_us is not None
        and record.t_start_us < decision.t_rig_us < record.t_end_us
        for decision in decisions
    )


def _cost_per_repetition(records: Sequence[RepetitionRecord]) -> tuple[float, float]:
    """What a repetition cost, as a share of momentary and of fresh capacity; `DEFAULT_COST` if unknown."""
    parts, losses = [], []
    for before, after in pairwise(records):
        if (
            before.bout == after.bout
            and before.capacity_n
            and after.capacity_n
            and after.capacity_n < before.capacity_n
        ):
            parts.append(1.0 - after.capacity_n / before.capacity_n)
        if before.bout == after.bout and before.budget_spent is not None and after.budget_spent is not None:
            losses.append(max(after.budget_spent - before.budget_spent, 0.0))
    part = max(median(parts), 0.005) if parts else DEFAULT_COST
    return part, median(losses) if losses else DEFAULT_COST


def _fatigue_at_start(records: Sequence[RepetitionRecord], lost: float) -> list[tuple[float, float]]:
    """Loss of capacity when each repetition began: after the previous one or, after rest, its own less its cost."""
    found: list[tuple[float, float]] = []
    before: RepetitionRecord | None = None
    for record in records:
        if record.budget_spent is None or record.capacity_n is None:
            found.append(UNKNOWN_FATIGUE)
        else:
            spent = max(record.budget_spent - lost, 0.0)
            if before is not None and before.bout == record.bout and before.budget_spent is not None:
                spent = min(before.budget_spent, record.budget_spent)
            found.append((spent, UNKNOWN_FATIGUE[1] if record.budget_sd is None else min(record.budget_sd, 0.25)))
        before = record
    return found


def _reserve(step: Sequence[RepetitionRecord], failed: bool, cost: float) -> list[tuple[float, float]]:
    """Repetitions left in reserve after each repetition at one load: counted back from a stall, else estimated."""
    last = step[-1]
    if failed or last.outcome in _FAILURES:
        end, sd = 0.0, 0.0
    elif last.capacity_n is None or last.load_n <= 0.0:
        end, sd = UNKNOWN_RESERVE
    else:
        end = max((last.capacity_n / last.load_n - 1.0) / cost, 0.0)
        sd = min((last.capacity_sd_n or 0.0) / last.load_n / cost, UNKNOWN_RESERVE[1])
    found: list[tuple[float, float]] = []
    left = end
    for record in reversed(step):
        if record.outcome in _FAILURES:
            found.append((0.0, 0.0))
        else:
            found.append((left, sd))
            left += 1.0
    return found[::-1]


def _slow_pair(
    records: Sequence[RepetitionRecord], done: Done, each: FloatArray, helped: Sequence[bool]
) -> SlowPair | None:
    """The two slow repetitions of equal speed, each at one load, that lie furthest apart in fatigue."""
    speeds = np.array([record.mean_velocity_m_s for record in records])
    whole = np.flatnonzero(done.completed & ~np.array(helped, dtype=np.bool_))
    if whole.size < 2:
        return None
    slow = [int(k) for k in whole if speeds[k] <= np.median(speeds[whole])]
    best: tuple[float, int, int] | None = None
    for i in slow:
        for j in slow:
            apart = float(done.fatigue[j] - done.fatigue[i])
            same = records[i].cable == records[j].cable and abs(speeds[i] - speeds[j]) <= _SAME_SPEED_M_S
            if same and apart >= _FATIGUE_APART and (best is None or apart > best[0]):
                best = (apart, i, j)
    if best is None:
        return None
    _, i, j = best
    return SlowPair(
        fresher=i,
        deeper=j,
        ratio=Range.over(each[:, j] / np.maximum(each[:, i], 1e-12)),
        sure=float(np.mean(each[:, j] < each[:, i])),
    )


def worth_again(
    records: Sequence[RepetitionRecord], left: float, draws: Draws, decisions: Sequence[Decision] = ()
) -> Range:
    """Estimate what the same set would be worth if repeated with fatigue left over, relative to this one.

    The fatigue left over is added to that of every repetition. The repetitions that it costs are taken off the front of
    the set, where they are worth least.

    Args:
        records: the set that was done.
        left: loss of capacity that remains when the next set begins, 0 to 1.
        draws: draws of the assumptions.
        decisions: its decisions, as for `set_worth`.

    Returns:
        Worth of the repeated set divided by that of this one.

    Raises:
        ValueError: no records, or ``left`` outside 0 to 1.
    """
    if not records or not 0.0 <= left <= 1.0:
        raise ValueError(f"records, left are {len(records)} records, {left!r}; allowed: one or more, 0 to 1")
    done = done_of(records, decisions)
    cables = len({record.cable for record in records})
    lost = _cost_per_repetition(records)[1]
    fewer = min(round(left / max(lost, 0.005)) * cables, len(records) - 1)
    tired = replace(done, fatigue=np.minimum(done.fatigue + left, 0.98))
    whole = np.maximum(worth(draws, done).sum(axis=1), 1e-12)
    return Range.over(worth(draws, tired)[:, fewer:].sum(axis=1) / whole)


def estimated(item: RecordedSet) -> SetWorth | None:
    """The estimate for a recorded set; None when it holds no repetition."""
    decisions = [moment.decision for moment in item.moments]
    return set_worth(item.repetitions, report_draws(), decisions) if item.repetitions else None
