"""A lifter in plain mechanics, for rigs in tests: strength wears off, a handle moves while strength exceeds load.

Imports nothing of the project. When to stall is nowhere scripted: the handle's speed follows from strength minus load
at this place of the ascent, strength falls with work done, and a handle that can't be moved stands still until the
load gives way or the lifter's patience ends.
"""

from __future__ import annotations

import math

BOTTOM_M = 0.15
ROM_M = 0.50
UNLOADED_N = 1.0
TAKES_AFTER_S = 1.2


class PlainLifter:
    """One arm or a pair. Call `step` with the applied load; read ``x_m``, ``v_m_s``, ``docked``."""

    def __init__(self, strength_n: float = 480.0, fatigue_per_m: float = 0.06, patience_s: float = 2.5) -> None:
        self.fresh_n = strength_n
        self.strength_n = strength_n
        self._fatigue_per_m = fatigue_per_m
        self._patience_s = patience_s
        self.x_m = BOTTOM_M
        self.v_m_s = 0.0
        self.docked = True
        self.phase = "dock"
        self.phase_s = 0.0
        self.still_s = 0.0
        self.outcomes: list[tuple[str, float, float, float]] = []
        self._peak_m_s = 0.0
        self._load_n = 0.0

    def step(self, load_n: float, dt: float) -> None:
        """Advance by ``dt`` seconds under ``load_n`` newtons."""
        self.phase_s += dt
        gone = load_n <= UNLOADED_N
        if self.phase == "dock":
            self.v_m_s = 0.0
            # The lifter waits until the load has fully come, gives a busy machine time to say so, and takes the handle.
            if gone or load_n != self._load_n:
                self.phase_s = 0.0
            elif self.phase_s > TAKES_AFTER_S:
                self._enter("bottom")
            self._load_n = load_n
        elif gone:
            self._toward(BOTTOM_M, 0.5, dt)
            if abs(self.x_m - BOTTOM_M) < 0.002:
                self._enter("dock")
        elif self.phase == "up":
            self._ascend(load_n, dt)
        elif self.phase == "down":
            self._toward(BOTTOM_M, 0.45, dt)
            if self.x_m - BOTTOM_M < 0.004:
                self._enter("bottom")
        else:
            self._pause(dt)
        self.docked = self.phase == "dock"

    def _pause(self, dt: float) -> None:
        """Stand still at the bottom or the top for a moment, then go on."""
        pause_s, then = (0.4, "up") if self.phase == "bottom" else (0.3, "down")
        self._glide(0.0, dt)
        if self.phase_s > pause_s:
            self._enter(then)

    def _ascend(self, load_n: float, dt: float) -> None:
        part = (self.x_m - BOTTOM_M) / ROM_M
        # Weakest a little under half-way up.
        here_n = self.strength_n * (1.08 - 0.12 * math.exp(-(((part - 0.4) / 0.18) ** 2)))
        able = 1.0 - load_n / here_n
        self._glide(max(0.0, 2.2 * able) if able > 0 else 0.0, dt)
        if part > 0.9:
            self.v_m_s = min(self.v_m_s, 0.05 + (1.0 - part) * 6.0)
        self.x_m += self.v_m_s * dt
        self.strength_n *= 1.0 - self._fatigue_per_m * (self.v_m_s * dt + 0.12 * dt) * load_n / self.fresh_n
        self._peak_m_s = max(self._peak_m_s, self.v_m_s)
        self.still_s = self.still_s + dt if self.v_m_s < 0.03 else 0.0
        if part >= 0.985:
            self._finish("completed")
            self._enter("top")
        elif self.still_s > self._patience_s:
            self._finish("failed")
            self._enter("down")

    def _finish(self, outcome: str) -> None:
        rom_m = self.x_m - BOTTOM_M
        self.outcomes.append((outcome, rom_m, rom_m / self.phase_s, self._peak_m_s))

    def _enter(self, phase: str) -> None:
        self.phase, self.phase_s, self.still_s = phase, 0.0, 0.0
        if phase == "up":
            self._peak_m_s = 0.0

    def _glide(self, v_m_s: float, dt: float) -> None:
        self.v_m_s += (v_m_s - self.v_m_s) * min(1.0, dt / 0.06)

    def _toward(self, x_m: float, speed_m_s: float, dt: float) -> None:
        gap = x_m - self.x_m
        self._glide(math.copysign(min(speed_m_s, abs(gap) * 5.0 + 0.01), gap), dt)
        self.x_m += self.v_m_s * dt
