"""How a rig's sensors and clock distort the truth: noise, resolution, bias, drift, jitter, and faults on demand.

Acts on whole frames of true samples, compiled, because it runs for every sample of every simulated set. Randomness
comes from the generator given at construction. Delays and losses on the way are in `link_model`, faults of a rig's
*software* in `defects`.

Model, per sample. The value is taken at ``t + jitter`` (the truth is carried there along its velocity) and stamped
with the rig's clock as if it had been taken at ``t``; position is rounded to the encoder's step; velocity is what the
rig derives from its encoder, with a noise of its own; force has noise, bias and drift and is rounded to the cell's
step. The defaults are those of a decent rig: an encoder step of 0.1 mm at the handle and velocity noise of 0.01 m/s
(a stall threshold of 0.05 m/s needs a noise SD under about 0.015 to 0.02 m/s; engineering judgement, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter.bounds import Bounds, check_bounds
from ebbset.simulators.lifter.compiled import compiled

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_BLOCK: Final = 4096
_BOUNDS: Final[Bounds] = {
    "encoder_step_m": (0.0, 0.05),
    "position_bias_m": (-0.5, 0.5),
    "velocity_noise_sd_m_s": (0.0, 1.0),
    "velocity_bias_m_s": (-1.0, 1.0),
    "force_step_n": (0.0, 100.0),
    "force_noise_sd_n": (0.0, 500.0),
    "force_bias_n": (-500.0, 500.0),
    "force_drift_n_per_s": (-5.0, 5.0),
    "clock_drift_ppm": (-10_000.0, 10_000.0),
    "clock_start_s": (0.0, 1e9),
    "sampling_jitter_sd_s": (0.0, 0.05),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorParameters:
    """One rig's sensors and clock.

    Attributes:
        sample_rate_hz: 20 to 1000.
        has_force: a force cell is fitted.
        encoder_step_m: resolution of position at the handle; 0 for none.
        position_bias_m: constant error of position.
        velocity_noise_sd_m_s: SD of the velocity that the rig derives.
        velocity_bias_m_s: constant error of velocity.
        force_step_n: resolution of the force cell; 0 for none.
        force_noise_sd_n: SD of force.
        force_bias_n: constant error of force.
        force_drift_n_per_s: growth of that error.
        clock_drift_ppm: rig clock against true time.
        clock_start_s: what the rig clock shows when the simulation starts.
        sampling_jitter_sd_s: SD of when a sample is taken against its stamp.

    Raises:
        ValueError: a value out of range.
    """

    sample_rate_hz: float = 100.0
    has_force: bool = True
    encoder_step_m: float = 1e-4
    position_bias_m: float = 0.0
    velocity_noise_sd_m_s: float = 0.01
    velocity_bias_m_s: float = 0.0
    force_step_n: float = 0.5
    force_noise_sd_n: float = 2.0
    force_bias_n: float = 0.0
    force_drift_n_per_s: float = 0.0
    clock_drift_ppm: float = 30.0
    clock_start_s: float = 1.0
    sampling_jitter_sd_s: float = 2e-4

    def __post_init__(self) -> None:
        if not 20.0 <= self.sample_rate_hz <= 1_000.0:
            raise ValueError(f"sample_rate_hz is {self.sample_rate_hz!r}; allowed: 20 to 1000")
        check_bounds(self, _BOUNDS)


class FaultKind(StrEnum):
    """How a sensor can fail during a set."""

    FROZEN = "frozen"
    STUCK = "stuck"
    NOT_A_NUMBER = "not_a_number"
    OFFSET = "offset"
    SILENT = "silent"


class SensedQuantity(StrEnum):
    """The column that a fault affects; the value is its name on the wire."""

    POSITION = "position_m"
    VELOCITY = "velocity_m_s"
    FORCE = "force_n"


_COLUMN: Final = {SensedQuantity.POSITION: 0, SensedQuantity.VELOCITY: 1, SensedQuantity.FORCE: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """A fault from one true time to another.

    Attributes:
        kind: FROZEN repeats the last whole sample of every column while time goes on; STUCK holds one column at its
            last value; NOT_A_NUMBER replaces one column; OFFSET adds ``offset`` to one column; SILENT sends no frame.
        quantity: the column, for the kinds that have one.
        cable: which cable's column.
        from_s: true time at which it begins.
        until_s: true time at which it ends.
        offset: in the column's unit.
    """

    kind: FaultKind
    from_s: float
    until_s: float = math.inf
    quantity: SensedQuantity = SensedQuantity.VELOCITY
    cable: int = 0
    offset: float = 0.0

    def active(self, t_s: float) -> bool:
        """Whether the fault is present at this true time."""
        return self.from_s <= t_s < self.until_s


@compiled
def _measure(truth: FloatArray, noise: FloatArray, p: FloatArray, t_us: IntArray, out: FloatArray, last_us: int) -> int:
    """Write what the sensors show: t_us[n] and out[3, cables, n] from truth[n, cables, 4]; the newest stamp."""
    n, cables = truth.shape[0], truth.shape[1]
    for k in range(n):
        t_s = truth[k, 0, 0]
        stamp = round((p[8] + (t_s - p[11]) * (1.0 + p[7] * 1e-6)) * 1e6)
        last_us = max(stamp, last_us + 1)
        t_us[k] = last_us
        jitter_s = p[9] * noise[k, 0]
        for c in range(cables):
            velocity = truth[k, c, 2]
            position = truth[k, c, 1] + velocity * jitter_s + p[1]
            if p[0] > 0.0:
                position = np.round(position / p[0]) * p[0]
            force = truth[k, c, 3] + p[4] * noise[k, 2 + 2 * c] + p[5] + p[6] * t_s
            if p[10] > 0.0:
                force = np.round(force / p[10]) * p[10]
            out[0, c, k] = position
            out[1, c, k] = velocity + p[2] * noise[k, 1 + 2 * c] + p[3]
            out[2, c, k] = force
    return last_us


@dataclass(slots=True)
class Reading:
    """One frame as the rig's software gets it; columns per cable, None where there is no such sensor.

    ``finite`` is false when a fault made a value that is not a number.
    """

    t_us: tuple[int, ...]
    position_m: tuple[tuple[float, ...], ...]
    velocity_m_s: tuple[tuple[float, ...], ...]
    force_n: tuple[tuple[float, ...] | None, ...]
    finite: bool = True


class Sensors:
    """The sensors and the clock of one rig.

    Args:
        parameters: what they are like.
        cables: 1 or 2.
        rng: source of all their noise.
        faults: how they fail, on true time.
    """

    def __init__(
        self,
        parameters: SensorParameters,
        *,
        cables: int,
        rng: np.random.Generator,
        faults: tuple[SensorFault, ...] = (),
    ) -> None:
        self.parameters = parameters
        self.faults = faults
        self._cables = cables
        self._rng = rng
        self._noise = np.empty((_BLOCK, 1 + 2 * cables))
        self._used = _BLOCK
        self._t_us = np.empty(0, dtype=np.int64)
        self._shown = np.empty((3, cables, 0))
        self._last_us = -1
        self._held: FloatArray | None = None
        self._booted_s = 0.0
        self._clock_rate = 1.0 + parameters.clock_drift_ppm * 1e-6
        self._clock_start_s = parameters.clock_start_s
        s = parameters
        self._p = np.array(
            [
                s.encoder_step_m,
                s.position_bias_m,
                s.velocity_noise_sd_m_s,
                s.velocity_bias_m_s,
                s.force_noise_sd_n,
                s.force_bias_n,
                s.force_drift_n_per_s,
                s.clock_drift_ppm,
                s.clock_start_s,
                s.sampling_jitter_sd_s,
                s.force_step_n,
                0.0,
            ]
        )

    def clock_us(self, t_s: float) -> int:
        """What the rig clock shows at a true time."""
        return round((self._clock_start_s + (t_s - self._booted_s) * self._clock_rate) * 1e6)

    def true_s(self, t_us: int) -> float:
        """The true time at which the rig clock shows this."""
        return self._booted_s + (t_us * 1e-6 - self._clock_start_s) / self._clock_rate

    def reboot(self, t_s: float) -> None:
        """Restart the clock at this true time."""
        self._booted_s = t_s
        self._p[11] = t_s
        self._last_us = -1

    def read(self, truth: FloatArray) -> Reading | None:
        """Measure a frame of true samples.

        Args:
            truth: float64, shape (n, cables, 4): t_s, position_m, velocity_m_s, tension_n.

        Returns:
            The reading, or None while a fault keeps the sensors silent.

        Raises:
            ValueError: more samples than the noise that is drawn at once.
        """
        n = truth.shape[0]
        if self._used + n > _BLOCK:
            if n > _BLOCK:
                raise ValueError(f"truth holds {n} samples; allowed: at most {_BLOCK} in one reading")
            self._rng.standard_normal(out=self._noise)
            self._used = 0
        if self._t_us.shape[0] != n:
            self._t_us = np.empty(n, dtype=np.int64)
            self._shown = np.empty((3, self._cables, n))
        t_us, out = self._t_us, self._shown
        noise = self._noise[self._used : self._used + n]
        self._used += n
        self._last_us = _measure(truth, noise, self._p, t_us, out, self._last_us)
        finite = True
        if self.faults:
            if not self._apply_faults(truth[:, 0, 0], out):
                return None
            finite = bool(np.isfinite(out).all())
        position, velocity, force = out.tolist()
        return Reading(
            tuple(t_us.tolist()),
            tuple(map(tuple, position)),
            tuple(map(tuple, velocity)),
            tuple(map(tuple, force)) if self.parameters.has_force else (None,) * self._cables,
            finite,
        )

    def _apply_faults(self, t_s: FloatArray, out: FloatArray) -> bool:
        """Change ``out`` as the active faults do; False when nothing may be sent."""
        silent = False
        for k in range(t_s.shape[0]):
            active = [fault for fault in self.faults if fault.active(float(t_s[k]))]
            for fault in active:
                row = out[_COLUMN[fault.quantity], fault.cable]
                if fault.kind is FaultKind.SILENT:
                    silent = True
                elif fault.kind is FaultKind.NOT_A_NUMBER:
                    row[k] = math.nan
                elif fault.kind is FaultKind.OFFSET:
                    row[k] += fault.offset
                elif self._held is not None and fault.kind is FaultKind.STUCK:
                    row[k] = self._held[_COLUMN[fault.quantity], fault.cable]
                elif self._held is not None and fault.kind is FaultKind.FROZEN:
                    out[:, :, k] = self._held
            if not any(fault.kind in (FaultKind.STUCK, FaultKind.FROZEN) for fault in active):
                self._held = out[:, :, k].copy()
        return not silent
