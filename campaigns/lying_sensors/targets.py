"""What the check is to reach, in one place, and which of it the sets of a campaign miss."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from campaigns.lying_sensors.campaign import Row, cell_of
from campaigns.lying_sensors.lies import Liar

FALSE_ALARMS: Final = 0
LARGE_N: Final = 240.0
STEP_S: Final = 4.0
"""Longest time until a step of ``LARGE_N`` either way is told, in every set that goes on."""
CREEP_S: Final = 12.0
"""Longest time until such a bias that creeps up is told; the check of before took that long when it saw it at all."""


def missed_targets(rows: Sequence[Row]) -> list[str]:
    """Every bound that does not hold, in words; an invariant that broke is always one."""
    missed: list[str] = []
    false = [row for row in rows if row.told and (row.item.bias_n == 0.0 or row.ended_s <= row.from_s)]
    if len(false) > FALSE_ALARMS:
        missed.append(f"{len(false)} sets ended before anything lied, the first {false[0].item}")
    broken = [row for row in rows if row.breaches]
    if broken:
        missed.append(f"{len(broken)} sets broke an invariant, the first {broken[0].item}")
    for liar in Liar:
        cell = cell_of([row for row in rows if row.item.liar is liar and abs(row.item.bias_n) >= LARGE_N])
        longest_s = CREEP_S if liar in (Liar.CELL_CREEP, Liar.DRIVE_CREEP) else STEP_S
        if cell.missed or any(after > longest_s for after in cell.after_s):
            worst = max(cell.after_s, default=0.0)
            missed.append(f"{liar.value}: {cell.missed} of {cell.sets} missed, the slowest told after {worst:.1f} s")
    return missed
