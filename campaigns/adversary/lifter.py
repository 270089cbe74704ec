"""A lifter who moves by a script and knows the truth: which attempts were completed, which stopped, where and when.

What lives here: the motion of one handle and its truth. What never does: sensors, commands, the controller's view.

The handle follows a desired velocity with a bounded acceleration, so that every move starts and ends at rest. An
attempt whose load is above what the lifter can move slows toward a given height and stays there; once the load is low
enough it goes on. Motion ends at the last instant at which it is faster than `STILL_M_S`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

LONGEST_STEP_S: Final = 0.005
STILL_M_S: Final = 0.05
"""The stall velocity that every prescription here keeps (the default of the prescription)."""
ACCELERATION_M_S2: Final = 5.0
BRAKING_M_S2: Final = 2.5
ARRIVED_M: Final = 0.001
PEAK_OVER_MEAN: Final = 1.25
COMPLETE_PART: Final = 0.95
"""As in the simulator: an attempt that reached 95 % of its own range is completed."""
HOME_M_S: Final = 0.3
FREE_N: Final = 1.0
AT_TARGET_N: Final = 0.5
DIP_WIDTH: Final = 0.12


class Phase(StrEnum):
    """What the lifter is doing."""

    DOCK = "in the dock"
    TAKE_UP = "on the take-up"
    BOTTOM = "at the bottom"
    UP = "in the ascent"
    TOP = "at the top"
    DOWN = "on the way down"
    HOME = "on the way to the dock"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRepetition:
    """One repetition as the lifter plans it.

    Attributes:
        rom_m: its range of motion.
        bottom_m: where it begins, relative to the mean bottom.
        velocity_m_s: mean concentric velocity.
        eccentric_m_s: velocity on the way down.
        bottom_s: pause before it.
        top_s: pause at its top.
        capacity_n: load per cable up to which it is completed.
        sticks_at: share of its range at which it stops under a load above that.
        approach_per_s: how abruptly it stops; the velocity near there is this times the distance left.
        dip: fraction of the velocity lost at its slowest place even if it is completed.
        dip_at: share of its range where that is.
        pause_at: share of its range at which the lifter pauses on purpose; ``None``: nowhere.
        pause_s: length of that pause.
        smooth: eased in and out over its whole way, as in an unhurried movement; only where nobody fails.
    """

    rom_m: float
    bottom_m: float = 0.0
    velocity_m_s: float = 0.5
    eccentric_m_s: float = 0.4
    bottom_s: float = 0.4
    top_s: float = 0.3
    capacity_n: float = math.inf
    sticks_at: float = 0.5
    approach_per_s: float = 5.0
    dip: float = 0.0
    dip_at: float = 0.4
    pause_at: float | None = None
    pause_s: float = 0.0
    smooth: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """A whole set as the lifter plans it.

    Attributes:
        repetitions: in order; a failed one is tried again.
        take_up_m: from the dock to the mean bottom.
        take_up_s: pause there before the first ascent.
        take_up_m_s: velocity on the way.
        take_up_smooth: eased in and out over the whole way, at this mean velocity.
        from_dock: the first ascent begins in the dock, without a pause; the dock is then the bottom.
        fight_s: how long the lifter pushes against a load that does not move.
        tries: failed attempts in a row after which the handle is put back.
        sway_m: amplitude of the body's sway.
        sway_hz: its frequency.
    """

    repetitions: tuple[PlannedRepetition, ...]
    take_up_m: float = 0.0
    take_up_s: float = 0.5
    take_up_m_s: float = 0.35
    take_up_smooth: bool = False
    from_dock: bool = False
    fight_s: float = 3.0
    tries: int = 3
    sway_m: float = 0.0
    sway_hz: float = 0.7


@dataclass(slots=True)
class Attempt:
    """One ascent as it really was; times in seconds of the set.

    Attributes:
        number: index of the planned repetition.
        began_s: when the handle was sent up.
        stuck_share: share of its range where it stopped; ``None``: it did not.
        ended_s: the end of motion.
        gave_up_s: when the lifter let the handle go down.
        completed_s: when it reached 95 % of its range.
        seen_s: when the controller first said that it failed.
        relief_ordered: when it stopped, a load low enough was already ordered, so nothing needed to be done.
        seen_by: cables for which the controller said so; coupled cables count as one.
    """

    number: int
    began_s: float
    stuck_share: float | None = None
    ended_s: float | None = None
    gave_up_s: float | None = None
    completed_s: float | None = None
    seen_s: float | None = None
    relief_ordered: bool = False
    seen_by: set[int] = field(default_factory=set)


@dataclass(slots=True)
class ScriptedLifter:
    """Moves one handle by a `Script`. Advance it with `step`; everything it carries is true and may be read."""

    script: Script
    dock_m: float
    ready_s: float
    phase: Phase = Phase.DOCK
    now_s: float = 0.0
    x: float = 0.0
    v: float = 0.0
    attempts: list[Attempt] = field(default_factory=list)
    number: int = 0
    done: bool = False
    _since_s: float = 0.0
    _failed_in_a_row: int = 0
    _paused: bool = False
    _pause_until_s: float | None = None
    _moving_s: float = 0.0
    _fight_since_s: float = 0.0
    _sway: float = 0.0
    _dt: float = LONGEST_STEP_S
    _heaviest_n: float = 0.0
    _ordered_n: float = 0.0
    _stands: bool = False
    _handlers: dict[Phase, Callable[[], None]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.x = self.dock_m
        self._handlers = {
            Phase.DOCK: self._in_dock,
            Phase.TAKE_UP: self._take_up,
            Phase.BOTTOM: self._at_bottom,
            Phase.UP: self._ascend,
            Phase.TOP: self._at_top,
            Phase.DOWN: self._descend,
            Phase.HOME: self._go_home,
        }

    # --- what may be asked -----------------------------------------------------------------------------------------

    @property
    def docked(self) -> bool:
        """The handle rests in the dock."""
        return self.phase is Phase.DOCK

    @property
    def plan(self) -> PlannedRepetition:
        """The next or current repetition; the last one once all are done."""
        repetitions = self.script.repetitions
        return repetitions[min(self.number, len(repetitions) - 1)]

    @property
    def bottom_m(self) -> float:
        """Where the next or current repetition begins."""
        offset = 0.0 if self.script.from_dock and not self.attempts else self.plan.bottom_m
        return self.dock_m + self.script.take_up_m + offset

    @property
    def capacity_n(self) -> float:
        """Load per cable up to which the attempt is completed; each failed try lowers it by 2 %."""
        return self.plan.capacity_n * 0.98**self._failed_in_a_row

    @property
    def completed(self) -> int:
        """Number of completed repetitions."""
        return sum(attempt.completed_s is not None for attempt in self.attempts)

    @property
    def sway(self) -> tuple[float, float]:
        """What the body's sway adds to position and velocity."""
        w = 2.0 * math.pi * self.script.sway_hz
        size = self.script.sway_m * self._sway
        return size * math.sin(w * self.now_s), size * w * math.cos(w * self.now_s)

    def too_heavy(self, loads_n: Sequence[float]) -> bool:
        """True if the current ascent will fail at these loads."""
        return self.phase is Phase.UP and max(loads_n) > self.capacity_n

    # --- motion ----------------------------------------------------------------------------------------------------

    def step(self, dt: float, applied_n: Sequence[float], ordered_n: Sequence[float]) -> None:
        """Advance.

        Args:
            dt: seconds.
            applied_n: load that the rig applies, N per cable.
            ordered_n: load that the rig holds or goes to.
        """
        self.now_s += dt
        self._dt, self._heaviest_n, self._ordered_n = dt, max(applied_n), max(ordered_n)
        self._stands = self._ordered_n > 0.0 and abs(self._heaviest_n - self._ordered_n) < AT_TARGET_N
        wanted = 0.0 if self.phase is Phase.DOCK else 1.0
        self._sway += (wanted - self._sway) * min(1.0, dt / 0.3)
        if self._heaviest_n <= FREE_N and self.phase not in (Phase.DOCK, Phase.HOME):
            self._enter(Phase.HOME)
        self._handlers[self.phase]()

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self._since_s = self.now_s

    def _for_s(self) -> float:
        return self.now_s - self._since_s

    def _follow(self, desired: float) -> None:
        most = ACCELERATION_M_S2 * self._dt
        self.v += max(-most, min(most, desired - self.v))
        self.x += self.v * self._dt

    def _go(self, to_m: float, speed: float) -> bool:
        gap = to_m - self.x
        if abs(gap) < ARRIVED_M:
            self.v = 0.0
            return True
        size = min(speed, math.sqrt(2.0 * BRAKING_M_S2 * abs(gap)), abs(gap) / self._dt)
        self._follow(math.copysign(size, gap))
        return False

    def _glide(self, from_m: float, to_m: float, mean_m_s: float) -> bool:
        """Along the minimum-jerk path from one place to another since the phase began; true once there.

        Flash and Hogan 1985, 10.1523/JNEUROSCI.05-07-01688.1985.
        """
        lasts_s = abs(to_m - from_m) / mean_m_s
        u = min(1.0, self._for_s() / lasts_s)
        x = from_m + (to_m - from_m) * u**3 * (10.0 - 15.0 * u + 6.0 * u * u)
        self.v = (x - self.x) / self._dt
        self.x = x
        if u < 1.0:
            return False
        self.v = 0.0
        return True

    def _in_dock(self) -> None:
        self.x, self.v = self.dock_m, 0.0
        if not self._stands or self.done:
            self._since_s = self.now_s
        elif self._for_s() > self.ready_s:
            if self.script.from_dock and not self.attempts:
                self._begin_ascent()
            else:
                self._enter(Phase.TAKE_UP)

    def _take_up(self) -> None:
        script = self.script
        if script.take_up_smooth:
            there = self._glide(self.dock_m, self.bottom_m, script.take_up_m_s)
        else:
            there = self._go(self.bottom_m, script.take_up_m_s)
        if there:
            self._enter(Phase.BOTTOM)

    def _at_bottom(self) -> None:
        self._follow(0.0)
        pause_s = self.plan.bottom_s if self.attempts else self.script.take_up_s
        if self.done:
            self._enter(Phase.HOME)
        elif self._for_s() >= pause_s:
            self._begin_ascent()

    def _begin_ascent(self) -> None:
        self.attempts.append(Attempt(number=self.number, began_s=self.now_s))
        self._paused = False
        self._pause_until_s = None
        self._moving_s = self._fight_since_s = self.now_s
        self._enter(Phase.UP)

    def _ascend_smoothly(self) -> None:
        plan, attempt, bottom_m = self.plan, self.attempts[-1], self.bottom_m
        there = self._glide(bottom_m, bottom_m + plan.rom_m, plan.velocity_m_s)
        if attempt.completed_s is None and self.x - bottom_m >= COMPLETE_PART * plan.rom_m:
            attempt.completed_s = self.now_s
        if there:
            self.number += 1
            self._failed_in_a_row = 0
            self._enter(Phase.TOP)

    def _ascend(self) -> None:
        plan, attempt = self.plan, self.attempts[-1]
        if plan.smooth:
            self._ascend_smoothly()
            return
        share = (self.x - self.bottom_m) / plan.rom_m
        gap = plan.rom_m * (1.0 - share)
        heavy = self._heaviest_n > self.capacity_n
        peak = PEAK_OVER_MEAN * plan.velocity_m_s
        speed = peak * (1.0 - plan.dip * math.exp(-(((share - plan.dip_at) / DIP_WIDTH) ** 2)))
        speed = min(speed, math.sqrt(2.0 * BRAKING_M_S2 * max(gap, 0.0)), max(gap, 0.0) / self._dt)
        if heavy:
            speed = min(speed, max(0.0, plan.approach_per_s * (plan.sticks_at - share) * plan.rom_m))
        elif self._holds(share):
            speed = 0.0
        self._follow(speed)
        if self.v > STILL_M_S:
            self._moving_s = self.now_s
        share = (self.x - self.bottom_m) / plan.rom_m
        if attempt.completed_s is None and share >= COMPLETE_PART:
            attempt.completed_s = self.now_s
        if gap < ARRIVED_M:
            self.v = 0.0
            attempt.completed_s = attempt.completed_s or self.now_s
            self.number += 1
            self._failed_in_a_row = 0
            self._enter(Phase.TOP)
        elif not heavy:
            self._fight_since_s = self.now_s
        elif self.v < STILL_M_S and self.now_s - attempt.began_s > 0.3:
            self._stand_against(attempt, share)

    def _stand_against(self, attempt: Attempt, share: float) -> None:
        """The handle does not move and the load is too heavy: fight, and finally give up."""
        if attempt.ended_s is None:
            attempt.ended_s, attempt.stuck_share = self._moving_s, share
            attempt.relief_ordered = self._ordered_n <= self.capacity_n
            self._fight_since_s = self.now_s
        if self.now_s - self._fight_since_s > self.script.fight_s:
            attempt.gave_up_s = self.now_s
            self._failed_in_a_row += 1
            self.done = self._failed_in_a_row >= self.script.tries
            self._enter(Phase.DOWN)

    def _holds(self, share: float) -> bool:
        """A pause on purpose on the way up."""
        plan = self.plan
        if plan.pause_at is None or self._paused or share < plan.pause_at:
            return False
        if self._pause_until_s is None:
            self._pause_until_s = self.now_s + plan.pause_s
        self._paused = self.now_s >= self._pause_until_s
        return not self._paused

    def _at_top(self) -> None:
        self._follow(0.0)
        pause_s = self.script.repetitions[self.number - 1].top_s
        if self._for_s() >= pause_s:
            self.done = self.number >= len(self.script.repetitions)
            self._enter(Phase.DOWN)

    def _descend(self) -> None:
        if self._go(self.bottom_m, self.plan.eccentric_m_s):
            self._enter(Phase.BOTTOM)

    def _go_home(self) -> None:
        self.done = True
        if self._go(self.dock_m, HOME_M_S):
            self._enter(Phase.DOCK)
