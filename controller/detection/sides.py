"""Which repetition of the left cable goes with which of the right, and by how much the two differ.

What lives here: pairing by time, and repetitions that one side did alone. What never does: how much is too much
(`stop_rules`). Two repetitions go together when they overlap in time, or when each side did one in turn. A completed
one that the other side has nothing to set against is settled at the next start of its own side.
"""

from __future__ import annotations

from ebbset.controller.detection.signals import RepetitionEnded
from ebbset.models.contract.rig_messages import RepetitionOutcome

Difference = tuple[float, float]
"""Of ROM and of mean velocity, each as a part of the larger side's."""
ALONE: Difference = (1.0, 1.0)
# Not Final: mypyc (2.4) takes a constant of nothing but floats for one that was never set.


class SidePairs:
    """Repetitions of two cables that wait for their other side."""

    __slots__ = ("_ascending_since_us", "_waiting")

    def __init__(self) -> None:
        self._waiting: list[RepetitionEnded | None] = [None, None]
        self._ascending_since_us: list[int | None] = [None, None]

    def restart(self) -> None:
        """A bout begins: what waits goes with nothing that comes."""
        self._waiting = [None, None]
        self._ascending_since_us = [None, None]

    def started(self, k: int, t_us: int) -> Difference | None:
        """A concentric of cable ``k`` began: what waited there is settled, unless the other side is still at it.

        Args:
            k: index of the cable.
            t_us: rig time at which it began.
        """
        self._ascending_since_us[k] = t_us
        mine, other = self._waiting[k], self._waiting[1 - k]
        if mine is None:
            return None
        if other is not None:
            self._waiting = [None, None]
            return difference_of(mine, other)
        since_us = self._ascending_since_us[1 - k]
        if since_us is not None and since_us <= mine.t_end_us:
            return None
        return self._alone(k)

    def ended(self, k: int, ended: RepetitionEnded) -> Difference | None:
        """A concentric of cable ``k`` ended: the difference if it goes with one of the other side.

        Args:
            k: index of the cable.
            ended: what was seen of it.
        """
        self._ascending_since_us[k] = None
        other = self._waiting[1 - k]
        if other is not None and ended.t_start_us <= other.t_end_us and other.t_start_us <= ended.t_end_us:
            self._waiting = [None, None]
            return difference_of(ended, other)
        settled = self._alone(k)
        self._waiting[k] = ended
        return settled

    def _alone(self, k: int) -> Difference | None:
        mine, self._waiting[k] = self._waiting[k], None
        return ALONE if mine is not None and mine.outcome is RepetitionOutcome.COMPLETED else None


def difference_of(one: RepetitionEnded, other: RepetitionEnded) -> Difference:
    """Difference of two repetitions in ROM and in mean velocity, each as a part of the larger.

    Args:
        one: of one side.
        other: of the other side.
    """
    return (
        _relative_difference(one.rom_m, other.rom_m),
        _relative_difference(one.mean_velocity_m_s, other.mean_velocity_m_s),
    )


def _relative_difference(a: float, b: float) -> float:
    larger = max(abs(a), abs(b))
    return 0.0 if larger <= 0.0 else abs(a - b) / larger
