"""Targets for the controller, and a check of a table of figures against them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from campaigns.adversary.campaign import BENCH_PRESS, Totals


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """Bounds on the figures of the campaign.

    Attributes:
        healthy_wrong_part: most healthy sets with a miscount, a false drop or a wrong ending, as a part.
        unseen_failures: most failures that were not reported before the next ascent.
        bench_press_seen_after_s: longest time from the end of motion to the drop for the first failure of a set at any
            load of the bench press; a first failure that is not seen is a miss in itself.
    """

    healthy_wrong_part: float
    unseen_failures: int
    bench_press_seen_after_s: float


TARGETS: Final = Targets(healthy_wrong_part=0.01, unseen_failures=0, bench_press_seen_after_s=1.0)


def missed_targets(totals: Mapping[str, Totals], targets: Targets = TARGETS) -> list[str]:
    """Every bound that is not met, in words; a broken invariant is always one.

    Args:
        totals: figures by family.
        targets: the bounds.
    """
    missed: list[str] = []
    bench_press = totals.get(BENCH_PRESS, Totals())
    for name, found in totals.items():
        if found.healthy_wrong > targets.healthy_wrong_part * found.healthy:
            missed.append(f"{name}: {found.healthy_wrong} of {found.healthy} healthy sets went wrong")
        if found.unseen > targets.unseen_failures:
            missed.append(f"{name}: {found.unseen} of {found.failures} failures were not seen")
        if found.breaches:
            missed.append(f"{name}: {len(found.breaches)} invariants broke, first {found.breaches[0]}")
    late = [at for at in bench_press.first_after_s if at > targets.bench_press_seen_after_s]
    if late:
        missed.append(f"{BENCH_PRESS}: {len(late)} first failures were seen late, the worst after {max(late):.2f} s")
    return missed
