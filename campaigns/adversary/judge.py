"""Right or wrong: compares every decision of a controller with what the lifter was doing at that moment.

What lives here: the truth about drops, counts and endings of one set. What never does: how a controller decides.

A stall may be reported during an attempt that will fail (foreseen, or after motion ended), or late, after the lifter
gave up, if that attempt had not been reported before. Every other one is a false drop, and so is a drop when the load
already ordered is low enough for the lifter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from campaigns.adversary.lifter import Phase, ScriptedLifter
from ebbset.controller.messages.actions import Decision, SetResult
from ebbset.controller.messages.reasons import Reason

STALLS: Final = frozenset(
    {Reason.STALL_IN_CONCENTRIC, Reason.STALL_FORESEEN, Reason.REVERSAL, Reason.FAILED_START, Reason.REPORTED_FAILURE}
)
STALL_ENDINGS: Final = frozenset({Reason.FLOOR_FAILED, Reason.DROPS_SPENT})
COUNT_TOLERANCE_S: Final = 0.35
"""A repetition completed this close to the end of the set may be counted or not."""


@dataclass(slots=True)
class Judgement:
    """Outcome of one set compared with the truth.

    Attributes:
        healthy: nobody was meant to fail in it.
        counted: repetitions by the controller's result; ``None`` without one.
        completed: repetitions completed before the end.
        failures: attempts that stopped under a load that was too heavy, or were foreseen to.
        unseen: how many of those were not reported before the next ascent or the dock.
        never: a set with failures in which none was seen.
        seen_after_s: from the end of motion to the drop, for each failure that was seen; 0 if it was foreseen.
        first_after_s: the same for the first failure of the set; ``None``: it was not seen, or there was none.
        false_drops: cause of each false drop.
        misses: cause of each unseen failure.
        reason: how it ended.
        wrong_end: it ended otherwise than it should have.
        wrong_count: the count is not what it should be.
        breaches: broken invariants.
    """

    healthy: bool
    counted: int | None = None
    completed: int = 0
    failures: int = 0
    unseen: int = 0
    never: bool = False
    seen_after_s: list[float] = field(default_factory=list)
    first_after_s: float | None = None
    false_drops: list[str] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)
    reason: str = "none"
    wrong_end: bool = False
    wrong_count: bool = False
    breaches: list[str] = field(default_factory=list)

    def failure_seen(self, after_s: float) -> None:
        """A failure was seen this long after the end of motion; below 0 counts as foreseen."""
        after_s = max(0.0, after_s)
        if self.failures == 0:
            self.first_after_s = after_s
        self.failures += 1
        self.seen_after_s.append(after_s)

    def failure_missed(self, cause: str) -> None:
        """A failure was not reported before the next ascent."""
        self.failures += 1
        self.unseen += 1
        self.misses.append(cause)

    @property
    def wrong(self) -> bool:
        """Anything that a healthy set must not have."""
        return self.wrong_count or self.wrong_end or bool(self.false_drops)


class Judge:
    """Watches one set of a `ScriptedLifter`.

    Args:
        lifter: whose truth counts.
        healthy: nobody is meant to fail.
        most_repetitions: count at which the prescription ends the set; ``None``: it does not.
        coupled: both cables drop together, so that one failed attempt is one failure.
    """

    def __init__(self, lifter: ScriptedLifter, *, healthy: bool, most_repetitions: int | None, coupled: bool) -> None:
        self.verdict = Judgement(healthy=healthy)
        self._lifter = lifter
        self._most = most_repetitions
        self._coupled = coupled
        self._ended_s: float | None = None
        self._ended_in = Phase.DOCK
        self._ended_done = False
        self._last_right = False

    def decided(self, decision: Decision, ordered_n: Sequence[float], applied_n: Sequence[float]) -> None:
        """Take in a decision.

        Args:
            decision: of the controller.
            ordered_n: load that was ordered before it, N per cable.
            applied_n: load applied at that moment, N per cable.
        """
        if decision.reason in STALLS or decision.reason in STALL_ENDINGS:
            on = ordered_n if decision.cable is None else (ordered_n[decision.cable],)
            self._stall(decision, on, applied_n)
        if decision.action == "end" and self._ended_s is None:
            self._ended_s, self._ended_in = self._lifter.now_s, self._lifter.phase
            self._ended_done = self._lifter.done
            self.verdict.reason = decision.reason.value

    def _stall(self, decision: Decision, ordered_n: Sequence[float], applied_n: Sequence[float]) -> None:
        lifter = self._lifter
        attempt = lifter.attempts[-1] if lifter.attempts else None
        enough = max(ordered_n) <= lifter.capacity_n
        self._last_right = False
        side = 0 if self._coupled or decision.cable is None else decision.cable
        if attempt is None:
            cause = f"{decision.reason.value} {lifter.phase.value} before the first ascent"
        elif lifter.too_heavy(applied_n):
            if enough:
                cause = f"{decision.reason.value} while the load was already on its way"
            else:
                self._right(side)
                return
        elif attempt.gave_up_s is not None and lifter.phase in (Phase.DOWN, Phase.BOTTOM, Phase.HOME):
            if side not in attempt.seen_by:
                self._right(side)
                return
            cause = f"{decision.reason.value} again for the same attempt"
        else:
            cause = f"{decision.reason.value} {lifter.phase.value}"
        self.verdict.false_drops.append(cause)

    def _right(self, side: int) -> None:
        attempt = self._lifter.attempts[-1]
        attempt.seen_by.add(side)
        self._last_right = True
        if attempt.seen_s is None:
            attempt.seen_s = self._lifter.now_s

    def finish(self, result: SetResult | None, breaches: Sequence[str], cause: str) -> Judgement:
        """The set is over.

        Args:
            result: the controller's account.
            breaches: broken invariants.
            cause: what was special about the set, for the causes of failures that were missed.
        """
        verdict, end_s = self.verdict, self._ended_s if self._ended_s is not None else self._lifter.now_s
        verdict.breaches = list(breaches)
        attempts = self._lifter.attempts
        for attempt in attempts:
            if attempt.seen_s is not None:
                ended_s = attempt.seen_s if attempt.ended_s is None else attempt.ended_s
                verdict.failure_seen(attempt.seen_s - ended_s)
            elif attempt.ended_s is not None and attempt.ended_s < end_s and not attempt.relief_ordered:
                first = "the first ascent" if attempt is attempts[0] else "a later ascent"
                verdict.failure_missed(f"{first}, {cause}")
        verdict.never = verdict.failures > 0 and not verdict.seen_after_s
        tops = [attempt.completed_s for attempt in attempts if attempt.completed_s is not None]
        least = sum(at < end_s - COUNT_TOLERANCE_S for at in tops)
        most = sum(at < end_s + COUNT_TOLERANCE_S for at in tops)
        verdict.completed = sum(at <= end_s for at in tops)
        verdict.counted = None if result is None else result.repetitions
        verdict.wrong_count = result is None or not least <= result.repetitions <= most
        verdict.wrong_end = not self._right_end(most)
        return verdict

    def _right_end(self, most: int) -> bool:
        reason = self.verdict.reason
        if reason == Reason.REPETITIONS_DONE.value:
            return self._most is not None and most >= self._most
        if reason == Reason.PAUSE_TOO_LONG.value:
            return self._ended_done
        if reason in (Reason.FLOOR_FAILED.value, Reason.DROPS_SPENT.value):
            return self._last_right
        return False
