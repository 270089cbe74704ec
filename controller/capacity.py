"""Momentary capacity of one cable's lifter: the 1RM that they would have right now, its decline and its recovery.

What lives here: estimation from load, mean velocity and stalls. What never does: decisions. Plain arithmetic in a
fixed order (no library transcendental), so that a replay gives the same bits on any machine.

Idea. The load–velocity line in relative load keeps its place under fatigue, so a repetition's mean velocity says which
part of the momentary 1RM its load was. A stall says it outright: the load was the capacity. Errors of the line itself
are the same in every repetition and largely cancel in the loss of capacity.
"""

from __future__ import annotations

from math import sqrt
from typing import Final

from ebbset.models.profile import Uncertain
from ebbset.models.velocity import LoadVelocityLine
from ebbset.models.wire import RepetitionOutcome

# Judgement, to be replaced by what a set shows: typical loss per repetition at 70 to 80 % of 1RM.
LOSS_PER_REPETITION: Final = 0.03
LOSS_SD: Final = 0.02
WANDER: Final = 0.012
STALL_SD: Final = 0.03
RECOVERY_S: Final = 75.0
STALE_SDS: Final = 2.0


class CapacityEstimator:
    """Estimates in newtons at the handle, per cable; ``None`` before anything was seen.

    Args:
        line: load–velocity line of the lifter, or the exercise's generic one.
        one_rm_n: fresh 1RM from a profile.
    """

    def __init__(self, *, line: LoadVelocityLine, one_rm_n: Uncertain | None) -> None:
        self._line = line
        self._profile = one_rm_n
        self._slope = line.v0_m_s - line.v_1rm_m_s
        self._fresh: float | None = None
        self._fresh_var = 0.0
        self._common_var = 0.0
        self._share = 1.0
        self._share_var = 0.0
        self._loss = LOSS_PER_REPETITION
        self._loss_var = LOSS_SD * LOSS_SD
        self._last_load_n = 0.0
        self._surprise = 0.0
        self._surprise_n = 0
        if one_rm_n is not None:
            self._fresh = one_rm_n.mean
            self._fresh_var = (one_rm_n.sd / one_rm_n.mean) ** 2

    # --- what was seen ----------------------------------------------------------------------------------------

    def repetition(
        self, *, load_n: float, mean_velocity_m_s: float, outcome: RepetitionOutcome, load_changed: bool
    ) -> None:
        """One concentric. Only a completed one at one load tells the velocity at that load."""
        if load_n <= 0.0 or outcome in (RepetitionOutcome.PARTIAL, RepetitionOutcome.NOT_STARTED):
            return
        self._last_load_n = load_n
        if self._fresh is not None:
            self._tire()
        if outcome is not RepetitionOutcome.COMPLETED or load_changed or mean_velocity_m_s <= 0.0:
            return
        line = self._line
        relative = line.relative_load(mean_velocity_m_s)
        spread = line.residual_sd_m_s / (self._slope * relative)
        v0_part = (1.0 - relative) * line.v0_sd_m_s
        v1_part = relative * line.v_1rm_sd_m_s
        common = (v0_part * v0_part + v1_part * v1_part) / (self._slope * relative) ** 2
        self._observe(load_n / relative, spread * spread, common)

    def stall(self, *, load_n: float, force_n: float | None, position_fraction: float | None) -> None:
        """The load could no longer be moved: it is the capacity."""
        if load_n <= 0.0:
            return
        self._last_load_n = load_n
        self._observe(load_n, STALL_SD * STALL_SD, 0.0)

    def rest(self, duration_s: float) -> None:
        """Rest between bouts: the lost part comes back by half in about 50 s, most of it in five minutes."""
        keep = 1.0 / (1.0 + duration_s / RECOVERY_S)
        self._share = 1.0 - (1.0 - self._share) * keep
        self._share_var += (0.3 * (1.0 - self._share)) ** 2

    def _tire(self) -> None:
        self._share = max(0.05, self._share * (1.0 - self._loss))
        self._share_var += self._loss_var * 0.25 + WANDER * WANDER

    def _observe(self, capacity_n: float, var: float, common: float) -> None:
        if self._fresh is None:
            self._fresh = capacity_n
            self._fresh_var = var + common
            self._common_var = common
            return
        predicted = self._fresh * self._share
        ratio = capacity_n / predicted - 1.0
        total = self._fresh_var + self._share_var + var + common
        self._surprise += ratio * ratio / total
        self._surprise_n += 1
        fresh_gain = self._fresh_var / total
        share_gain = self._share_var / total
        self._fresh *= 1.0 + fresh_gain * ratio
        self._fresh_var *= 1.0 - fresh_gain
        before = self._share
        self._share = min(1.02, max(0.05, self._share * (1.0 + share_gain * ratio)))
        self._share_var *= 1.0 - share_gain
        loss_gain = 0.3 * share_gain
        self._loss = min(0.25, max(0.002, self._loss - loss_gain * (self._share / before - 1.0)))

    # --- what is estimated ------------------------------------------------------------------------------------

    @property
    def capacity_n(self) -> float | None:
        """Momentary 1RM."""
        return None if self._fresh is None else self._fresh * self._share

    @property
    def capacity_sd_n(self) -> float | None:
        """Its standard deviation."""
        if self._fresh is None:
            return None
        return self._fresh * self._share * sqrt(self._fresh_var + self._share_var)

    @property
    def fresh_n(self) -> float | None:
        """1RM of the day, unfatigued."""
        return self._fresh

    @property
    def fresh_sd_n(self) -> float | None:
        """Its standard deviation."""
        return None if self._fresh is None else self._fresh * sqrt(self._fresh_var)

    @property
    def budget_spent(self) -> float | None:
        """Estimated loss of capacity from fresh, 0 to 1."""
        return None if self._fresh is None else max(0.0, 1.0 - self._share)

    @property
    def budget_sd(self) -> float | None:
        """Its standard deviation."""
        return None if self._fresh is None else sqrt(self._share_var)

    @property
    def loss_per_repetition(self) -> float | None:
        """Part of the momentary capacity that one repetition costs."""
        return None if self._fresh is None else self._loss

    @property
    def repetitions_in_reserve(self) -> float | None:
        """Repetitions that the last load would still allow."""
        if self._fresh is None or self._last_load_n <= 0.0:
            return None
        margin = self._fresh * self._share / self._last_load_n - 1.0
        return max(0.0, margin / self._loss)

    @property
    def profile_stale(self) -> bool:
        """The profile's 1RM is further from what the set shows than both their uncertainties allow."""
        if self._profile is None or self._fresh is None or self._surprise_n < 3:
            return False
        return self._surprise / self._surprise_n > STALE_SDS * STALE_SDS
