"""Hand-made traces of a handle for tests of the segmenter: minimum-jerk moves, pauses, stalls, noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np


@dataclass
class Trace:
    """A handle position built piece by piece at 2 kHz; sampled at any rate with any noise."""

    position_m: list[float] = field(default_factory=lambda: [0.1])
    step_s: float = 0.0005

    @property
    def now_s(self) -> float:
        return len(self.position_m) * self.step_s

    def hold(self, seconds: float) -> Trace:
        self.position_m += [self.position_m[-1]] * round(seconds / self.step_s)
        return self

    def move(self, to_m: float, seconds: float) -> Trace:
        """Minimum jerk: starts and ends at rest (Flash & Hogan 1985 J Neurosci 5:1688-1703)."""
        n = round(seconds / self.step_s)
        s = np.arange(1, n + 1) / n
        start = self.position_m[-1]
        self.position_m += list(start + (to_m - start) * (10 * s**3 - 15 * s**4 + 6 * s**5))
        return self

    def speeds(self, knots: Sequence[tuple[float, float]]) -> Trace:
        """Follow a velocity given as (seconds from now, m/s), linear between knots."""
        seconds = np.arange(self.step_s, knots[-1][0] + self.step_s / 2, self.step_s)
        v = np.interp(seconds, [k[0] for k in knots], [k[1] for k in knots])
        self.position_m += list(self.position_m[-1] + np.cumsum(v) * self.step_s)
        return self

    def sample(
        self,
        *,
        rate_hz: float = 100.0,
        position_noise_m: float = 0.0,
        velocity_noise_m_s: float = 0.0,
        jitter: float = 0.0,
        lost: float = 0.0,
        seed: int = 1,
    ) -> tuple[list[int], list[float], list[float]]:
        """Times (µs), positions and velocities as a rig would report them."""
        rng = np.random.default_rng(seed)
        x = np.asarray(self.position_m)
        v = np.gradient(x, self.step_s)
        n = int(self.now_s * rate_hz)
        t = np.arange(n) / rate_hz
        t = np.sort(t + rng.uniform(-jitter, jitter, n) / rate_hz).clip(0, self.now_s)
        t = t[rng.uniform(size=n) >= lost]
        grid = np.arange(len(x)) * self.step_s
        position = np.interp(t, grid, x) + rng.normal(0, position_noise_m, len(t))
        velocity = np.interp(t, grid, v) + rng.normal(0, velocity_noise_m_s, len(t))
        return [round(value * 1e6) for value in t], position.tolist(), velocity.tolist()
