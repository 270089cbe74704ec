"""Which worker serves which rig: even, and never another one while both are there. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping


def assigned(rigs: Iterable[str], workers: int, before: Mapping[str, int]) -> dict[str, int]:
    """The worker of each rig. A rig keeps its worker; new ones go where the fewest rigs are.

    Args:
        rigs: names, in order.
        workers: how many there are, numbered from 0.
        before: the workers so far.
    """
    wanted = list(rigs)
    kept = {rig: before[rig] for rig in wanted if before.get(rig, workers) < workers}
    load = [sum(worker == k for worker in kept.values()) for k in range(workers)]
    found: dict[str, int] = {}
    for rig in wanted:
        if rig in kept:
            found[rig] = kept[rig]
            continue
        least = min(range(workers), key=lambda k: (load[k], k))
        load[least] += 1
        found[rig] = least
    return found
