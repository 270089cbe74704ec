"""Does the rig do what it acknowledged? Compares the load that it reports with the load commanded, after enough time.

Pure functions of the set and of what is known about the rig. The regulator decides what follows from a finding.
"""

from __future__ import annotations

from typing import Final

from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.armed_set import ArmedSet
from ebbset.controller.regulation.outcomes import Finding
from ebbset.controller.regulation.rig_facts import RigFacts, allowed_difference_n

ANOTHER_SET: Final = Finding(Reason.RIG_DISAGREES, (("nonce_matches", 0.0),), (("nonce_matches", 1.0),))
"""The rig serves another set."""


def taken_early(rig: RigFacts, armed: ArmedSet) -> Finding | None:
    """In a bout: the handle left the dock before the load was fully on. Also records when the load is fully on.

    The rig freezes nothing, and what is applied may lie between zero and the floor, so the set is over.

    Args:
        rig: as last heard.
        armed: the set, in a bout.
    """
    if armed.stands:
        return None
    applied_n, target_n = rig.applied_n, armed.target_n
    short_n = [target - applied for applied, target in zip(applied_n, target_n, strict=False)]
    if len(applied_n) == len(target_n) and all(
        short <= allowed_difference_n(target) for short, target in zip(short_n, target_n, strict=True)
    ):
        armed.stands = True
        return None
    if rig.docked is not False:
        return None
    k = max(range(len(short_n)), key=short_n.__getitem__) if short_n else 0
    applied = applied_n[k] if short_n else None
    allowed_n = target_n[k] - allowed_difference_n(target_n[k])
    return Finding(Reason.TAKEN_EARLY, (("applied_n", applied),), (("least_applied_n", allowed_n),), k)


def disagreement(rig: RigFacts, armed: ArmedSet, now_us: int) -> Finding | None:
    """What the rig reports does not fit a set whose last load it had time to reach.

    Args:
        rig: as last heard; what it applies was heard just now.
        armed: the set, in a bout.
        now_us: controller's clock, microseconds.
    """
    if rig.applied_n == armed.target_n and rig.rig_nonce == armed.nonce:
        return None
    settled = [now_us >= cable.settled_us for cable in armed.cables]
    if not any(settled):
        return None
    if rig.rig_nonce != armed.nonce:
        return ANOTHER_SET
    for applied, target, ready in zip(rig.applied_n, armed.target_n, settled, strict=False):
        difference_n, allowed_n = abs(applied - target), allowed_difference_n(target)
        if ready and difference_n > allowed_n:
            return Finding(Reason.RIG_DISAGREES, (("difference_n", difference_n),), (("allowed_n", allowed_n),))
    return None


def load_left(rig: RigFacts, armed: ArmedSet) -> Finding | None:
    """Armed or resting: the rig applies a load although none is commanded, after the last had time to go off.

    Args:
        rig: as last heard.
        armed: the set, not in a bout.
    """
    if rig.fresh_us is None or rig.fresh_us < armed.off_us:
        return None
    allowed_n = allowed_difference_n(0.0)
    for k, applied_n in enumerate(rig.applied_n):
        if applied_n > allowed_n:
            return Finding(Reason.RIG_DISAGREES, (("difference_n", applied_n),), (("allowed_n", allowed_n),), k)
    return None
