"""What the identification of a rig works with: access to the rig, traces of telemetry, and the figures found.

Values and one protocol. The routine is in `identification`, the arithmetic in `identification_fits`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ARRIVED_N: Final = 0.05
"""A load this near to where it goes has arrived."""


class NotIdentifiedError(ValueError):
    """The rig could not be identified; says what was missing and what is needed."""


@dataclass(frozen=True, slots=True)
class Move:
    """What the person is asked to do with every handle: go to a position at a steady speed, metres and m/s."""

    to_m: float
    speed_m_s: float


@dataclass(frozen=True, slots=True)
class HoldTrace:
    """Telemetry of a stretch of time; arrays of one length n, or (cables, n), on the rig's clock.

    Attributes:
        t_s: rig clock, s.
        position_m: cable paid out.
        velocity_m_s: as reported.
        force_n: cable tension.
        told_t_s: rig clock of each report of the applied load, length m; the first before the first sample.
        told_n: load applied then, (cables, m).
    """

    t_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray
    force_n: FloatArray
    told_t_s: FloatArray
    told_n: FloatArray

    def applied_n(self, cable: int, rate_n_per_s: float) -> FloatArray:
        """Load applied at each sample if, between two reports, it moves at this rate until it reaches the new value.

        Where it went less far than the rate would have taken it, it had arrived, or else it had set out late.

        Args:
            cable: index of the cable.
            rate_n_per_s: rate of change between two reports, N/s.
        """
        told = self.told_n[cable]
        after = np.clip(np.searchsorted(self.told_t_s, self.t_s), 1, self.told_t_s.size - 1)
        first, last = told[after - 1], told[after]
        change = last - first
        gone = np.minimum(rate_n_per_s * (self.t_s - self.told_t_s[after - 1]), np.abs(change))
        to_go = np.minimum(rate_n_per_s * (self.told_t_s[after] - self.t_s), np.abs(change))
        arrived = np.abs(last - told[-1]) < ARRIVED_N
        applied: FloatArray = np.where(arrived, first + np.sign(change) * gone, last - np.sign(change) * to_go)
        return applied


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCapabilities:
    """What the rig's announcement says of it."""

    cables: int
    max_load_n: float
    min_load_n: float
    max_ramp_n_per_s: float
    simulated: bool = False


class RigAccess(Protocol):
    """A rig under the contract and a person beside it; an implementation renews leases and cites telemetry."""

    @property
    def facts(self) -> RigCapabilities:
        """From the announcement."""

    def arm(self, *, ceiling_n: float, floor_n: float) -> None:
        """Bind the rig with these limits and its own steepest ramp.

        Args:
            ceiling_n: highest load, newtons per cable.
            floor_n: lowest load, newtons per cable.
        """

    def hold(self, load_n: float, *, ramp_n_per_s: float, for_s: float, move: Move | None = None) -> HoldTrace:
        """Order a load, hold it for a time while the person moves, and return what was recorded.

        Args:
            load_n: newtons on every cable.
            ramp_n_per_s: ramp of the change.
            for_s: how long to record, seconds of the rig's clock.
            move: what the person is asked to do meanwhile.
        """

    def release(self) -> None:
        """Unload and release the rig."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its standard deviation, in the unit that the name of its field ends with."""

    value: float
    sd: float

    def agrees_with(self, truth: float, sds: float = 3.0) -> bool:
        """Whether the figure lies near ``truth``.

        Args:
            truth: in the unit of the estimate.
            sds: how many standard deviations it may lie away.
        """
        return abs(self.value - truth) <= sds * self.sd


@dataclass(frozen=True, slots=True, kw_only=True)
class CableIdentification:
    """What was found for one cable.

    Attributes:
        ramp_n_per_s: rate of the load while the rig's steepest ramp was ordered; None if it cannot be told.
        lag_s: mean delay of the force behind the applied load; None if it cannot be told.
        bandwidth_hz: corner frequency that this lag means; None if it cannot be told.
        overshoot: greatest excess of the force over its final change after the steepest ramp up, share of the change.
        coulomb_n: friction that does not depend on speed, under the light load of the test.
        viscous_n_s_m: friction that grows with speed.
        offset_n: constant error of the force cell against the applied load.
        force_noise_n: standard deviation of the force at rest.
        cannot_be_told: sentences on the figures that are None, or that rest on little.
    """

    ramp_n_per_s: Estimate | None
    lag_s: Estimate | None
    bandwidth_hz: Estimate | None
    overshoot: float
    coulomb_n: Estimate
    viscous_n_s_m: Estimate
    offset_n: Estimate
    force_noise_n: float
    cannot_be_told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ramp:
    """One recorded ramp: the commanded change and the response.

    Attributes:
        from_n: load before, newtons.
        to_n: load ordered, newtons.
        rate_n_per_s: ramp ordered.
        trace: what was recorded from the order on.
    """

    from_n: float
    to_n: float
    rate_n_per_s: float
    trace: HoldTrace
