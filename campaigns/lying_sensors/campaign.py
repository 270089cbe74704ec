"""The campaign: honest sets, and sets in which cell or drive begins to lie, summed up in tables.

What lives here: which set is which number, running it, adding up. What never does: printing (`__main__`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from campaigns.lying_sensors.lies import Liar, Lie, LyingPlant
from campaigns.lying_sensors.population import Honest, draw
from ebbset.controller.messages.reasons import Reason
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.parallel import parallel_map
from ebbset.simulators.closed_loop.simulated_set import LoopSettings
from ebbset.simulators.plant.plant_state import check_step
from ebbset.simulators.rig.simulated_rig import step_for

BIASES_N: Final = (-240.0, -120.0, -90.0, -60.0, -40.0, 0.0, 40.0, 60.0, 90.0, 120.0, 240.0)
LIE_LOAD_N: Final = 400.0
LIE_FROM_S: Final = (6.0, 10.0)
LATEST_S: Final = 20.0
"""A lie that is not told within so long counts as missed."""
HELD: Final[dict[str, Any]] = {"talk_after_reps": 1, "talk_s": 60.0, "pause_top_s": 0.2, "partial_tendency": 0.0}
STOP: Final[dict[str, Any]] = {"max_repetitions": 100, "max_duration_s": 90.0, "max_pause_s": 60.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One set of the campaign; ``liar`` is ``None`` for an honest one."""

    liar: Liar | None
    bias_n: float
    index: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What came of a set.

    Attributes:
        item: which set.
        load_n: load that it began with, newtons per cable.
        repetitions: completed, as counted.
        reason: why it ended.
        quantity: what disagreed, when that ended it.
        value_n: by how much, newtons.
        from_s: true time at which the lie began; 0 of an honest set.
        ended_s: true time at which the set ended.
        breaches: broken invariants.
    """

    item: Item
    load_n: float
    repetitions: int
    reason: str
    quantity: str | None
    value_n: float | None
    from_s: float
    ended_s: float
    breaches: int

    @property
    def told(self) -> bool:
        """The set ended because force and load disagreed."""
        return self.quantity is not None and "force" in self.quantity


def items(honest: int, each: int, seed: int) -> Iterator[Item]:
    """Every set, the honest ones first.

    Args:
        honest: how many of those.
        each: how many of each lie.
        seed: of the campaign.
    """
    for index in range(honest):
        yield Item(liar=None, bias_n=0.0, index=index, seed=seed)
    for liar in Liar:
        for bias_n in BIASES_N:
            for index in range(each):
                yield Item(liar=liar, bias_n=bias_n, index=index, seed=seed)


def drive(item: Item) -> Row:
    """Run one set."""
    place = 0 if item.liar is None else 1 + list(Liar).index(item.liar) * len(BIASES_N) + BIASES_N.index(item.bias_n)
    sequence = np.random.SeedSequence(item.seed, spawn_key=(place, item.index))
    own, loop = sequence.spawn(2)
    rng = np.random.default_rng(own)
    if item.liar is None:
        return _run(item, draw(rng), None, loop, rng)
    honest = draw(rng, start_n=LIE_LOAD_N, stop=STOP)
    lifter = replace(honest.lifter, **HELD) if item.liar.in_hold else replace(honest.lifter, talk_after_reps=0)
    lie = Lie(liar=item.liar, bias_n=item.bias_n, from_s=rng.uniform(*LIE_FROM_S))
    return _run(item, replace(honest, lifter=lifter), lie, loop, rng)


def _run(item: Item, honest: Honest, lie: Lie | None, loop: np.random.SeedSequence, rng: np.random.Generator) -> Row:
    plant = LyingPlant(
        honest.rig,
        honest.lifter,
        rng,
        _step_s(honest),
        part=honest.drive_part,
        drive_n=(lambda _: 0.0) if lie is None else lie.drive_n,
    )
    outcome = run_set(
        honest.prescription,
        honest.lifter,
        honest.rig,
        seed=loop,
        sensors=honest.sensors,
        link=honest.link,
        faults=() if lie is None else lie.faults(),
        settings=LoopSettings(frame_samples=honest.frame_samples),
        plant=plant,
    )
    ends = [d for d in outcome.decisions if outcome.result is not None and d.reason is outcome.result.reason]
    told = dict(ends[-1].inputs) if ends and ends[-1].reason is Reason.SENSORS_DISAGREE else {}
    quantity = next(iter(told), None)
    return Row(
        item=item,
        load_n=honest.start_n,
        repetitions=outcome.result.repetitions if outcome.result is not None else 0,
        reason=outcome.result.reason.value if outcome.result is not None else "none",
        quantity=quantity,
        value_n=None if quantity is None else told[quantity],
        from_s=0.0 if lie is None else lie.from_s,
        ended_s=ends[0].now_us / 1e6 if ends else outcome.simulated_s,
        breaches=len(outcome.violations),
    )


def _step_s(honest: Honest) -> float:
    """The longest step that samples fall on and at which light handles and stiff friction stay stable."""
    step_s = step_for(honest.sensors.sample_rate_hz)
    while True:
        try:
            check_step(honest.rig, honest.lifter, step_s)
        except ValueError:
            step_s /= 2.0
        else:
            return step_s


def run(todo: Iterator[Item], *, workers: int) -> Iterator[Row]:
    """Run sets, in their order.

    Args:
        todo: which.
        workers: processes.
    """
    return parallel_map(drive, todo, workers=workers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One lie and bias.

    Attributes:
        sets: sets under way when it began.
        after_s: how long it took to be told, of those in which it was, sorted.
        early: sets told before it began: false alarms.
        otherwise: sets that ended for another reason within ``LATEST_S``.
    """

    sets: int
    after_s: tuple[float, ...]
    early: int
    otherwise: int

    @property
    def missed(self) -> int:
        """Sets that went on for ``LATEST_S`` with the lie untold."""
        return self.sets - len(self.after_s) - self.otherwise


def cell_of(rows: Sequence[Row]) -> Cell:
    """Sum up the sets of one lie."""
    under_way = [row for row in rows if row.ended_s > row.from_s]
    told = [row.ended_s - row.from_s for row in under_way if row.told]
    after_s = tuple(sorted(after for after in told if after <= LATEST_S))
    ended = [row.ended_s - row.from_s for row in under_way if not row.told]
    return Cell(
        sets=len(under_way),
        after_s=after_s,
        early=sum(row.told for row in rows if row.ended_s <= row.from_s),
        otherwise=sum(after <= LATEST_S for after in ended),
    )
