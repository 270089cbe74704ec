"""Attempts at a repetition, written down from outside the lifter: from phase, position and velocity alone.

The compiled lifter keeps its own records in the loop; for every other lifter this is the only source of them.
"""

from __future__ import annotations

import copy
import math
from typing import Final, Self

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.lifter.protocol import THROUGH
from ebbset.simulators.plant.truth import RepetitionTruth

WHOLE_SHARE: Final = 0.9
"""An ascent counts as a completed repetition from this share of the whole range; shorter ones are partials. Wider than
the 0.95 of the compiled lifter, whose range never varies."""
_MOVING_M_S: Final = 0.01


class AttemptLog:
    """Attempts of one bout.

    Args:
        bottom_m: cable paid out at the bottom, m.
        rom_m: the whole range, m.

    Attributes:
        attempts: begun.
        repetitions: completed.
        trace: (time, position, velocity) of the attempt under way, step by step.
        over: attempts that are over, oldest first.
    """

    __slots__ = ("_bottom_m", "_load_n", "_phase", "_rom_m", "attempts", "over", "repetitions", "trace")

    def __init__(self, bottom_m: float, rom_m: float) -> None:
        self._bottom_m, self._rom_m = bottom_m, rom_m
        self.attempts = 0
        self.repetitions = 0
        self._phase = Phase.REST
        self._load_n = 0.0
        self.trace: list[tuple[float, float, float]] = []
        self.over: list[RepetitionTruth] = []

    def note(self, phase: Phase, t_s: float, position_m: float, velocity_m_s: float, load_n: float) -> bool:
        """Take note of one step.

        Args:
            phase: of the lifter after it.
            t_s: time after it.
            position_m: mean over the cables.
            velocity_m_s: mean over the cables.
            load_n: mean tension.

        Returns:
            Whether an attempt has just ended; `close` it then.
        """
        before, self._phase = self._phase, phase
        if phase is Phase.CONCENTRIC:
            if before is not Phase.CONCENTRIC:
                self.attempts += 1
                self._load_n = load_n
                self.trace = []
            self.trace.append((t_s, position_m, velocity_m_s))
            return False
        return before is Phase.CONCENTRIC

    def close(self, capacity: float) -> None:
        """Write down the attempt that has just ended.

        Args:
            capacity: share of fresh strength left.
        """
        trace = self.trace
        first = next((k for k, (_, _, v) in enumerate(trace) if v > _MOVING_M_S), 0)
        start_s, start_m, _ = trace[first]
        end_s, end_m, _ = trace[-1]
        propulsive_s, propulsive_m, peak, slowest, slowest_at = end_s, end_m, 0.0, math.inf, 0.0
        for (t0, _, v0), (t1, x1, v1) in zip(trace[first:], trace[first + 1 :], strict=False):
            if (v1 - v0) > -STANDARD_GRAVITY_M_S2 * (t1 - t0):
                propulsive_s, propulsive_m = t1, x1
            peak = max(peak, v1)
            share = (x1 - self._bottom_m) / self._rom_m
            if 0.08 < share < 0.9 and v1 < slowest:
                slowest, slowest_at = v1, share
        completed = self._phase in THROUGH and end_m - self._bottom_m >= WHOLE_SHARE * self._rom_m
        self.repetitions += completed
        step_s = trace[1][0] - trace[0][0] if len(trace) > 1 else 0.001
        self.over.append(
            RepetitionTruth(
                start_s=start_s,
                end_s=end_s,
                start_m=start_m,
                end_m=end_m,
                mean_velocity_m_s=(end_m - start_m) / max(end_s - start_s, step_s),
                propulsive_velocity_m_s=(propulsive_m - start_m) / max(propulsive_s - start_s, step_s),
                peak_velocity_m_s=peak,
                min_velocity_m_s=slowest if math.isfinite(slowest) else 0.0,
                min_at_share=slowest_at,
                completed=completed,
                load_n=self._load_n,
                capacity=capacity,
            )
        )

    def copy(self) -> Self:
        """An independent copy."""
        other = copy.copy(self)
        other.trace, other.over = list(self.trace), list(self.over)
        return other
