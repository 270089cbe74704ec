"""One ascent under way on one cable: where it began, how far and how fast it went, and how it ended.

What lives here: the record. What never does: when an ascent begins (`segmenter`), stalls or ends (`stall`).
"""

from __future__ import annotations

from ebbset.controller.detection.signals import RepetitionEnded, StallSeen
from ebbset.controller.messages.reasons import Reason
from ebbset.models.contract.rig_messages import RepetitionOutcome

BRAKED_FROM_M_S = 0.06
BRAKED_FROM_PART = 0.75
EASED_FROM_M_S = 0.075
GATHERED_PART = 0.75
HALF_WAY_PART = 0.5
BRAKED_M_S2 = 1.4
"""Who means to stop brakes harder, who runs out of strength slows down more gently. Judgement, between scripted tops
and pauses (2.4 m/s² and more in 98 of 100) and scripted and simulated stalls (1.0 m/s² at most)."""
NO_VELOCITY_M_S = 1e9
"""Where no velocity has been seen yet: above any."""
LEAST_BRAKING_M = 0.0005
LEAST_EASED_M = 0.1
"""Nobody eases out of a shorter way where it may be a whole repetition; judgement."""
EASED_PART = 2.0
"""Who moves without hurry eases in and out: the velocity of an unhurried movement is a symmetric bell (Flash and Hogan
1985, 10.1523/JNEUROSCI.05-07-01688.1985). Who gives all there is gathers speed at once and loses it slowly. An ascent
that gathered speed at most this many times as hard as it lost it was stopped on purpose. Judgement: as measured here a
bell comes to 1.2 to 2.0, scripted and simulated stalls to 2.3 and more. With 20 to 30 samples a second a start is known
to a sample or two and a quick one comes out gentler, so a start as hard as a hard stop is never a gentle one: a bell
that steep ends in a hard stop anyway."""
LOAD_CHANGED_PART = 0.02
"""A load that differs by more than this part from the one at the start has changed; judgement, above sensor noise."""


class Ascent:
    """Extremes and sums of the ascent under way. Times are the rig's, in microseconds.

    Attributes:
        taking_up: the handle is being lifted out of the dock, to where ascents begin.
        start_m: position it began at.
        start_t_us: when it began.
        start_load_n: load at its start, newtons.
        peak_m: highest position.
        peak_m_s: highest velocity.
        least_m_s: lowest velocity until it was last on its way up.
        lull_m_s: lowest velocity since then, which counts only if the handle goes on.
        up_m: position when the handle was last on its way up.
        up_t_us: when that was.
        fast_t_us: when it was last faster than an attempt with all there is.
        origin_m: where it began if the rest on the way out of the dock was only a pause in it.
        force_sum_n: sum of the tensions.
        force_count: how many they are.
        stalls: stalls called in it.
        stall_m: position of the last of them.
        stall_m_s: velocity at the last of them.
        load_changed: the load went down on the way.
        load_falling: it was on its way down when the ascent began.
    """

    __slots__ = (
        "_before_m_s",
        "_before_m_s2",
        "_from_m",
        "_from_m_s",
        "_gathered_m_s",
        "_gathered_m_s2",
        "fast_t_us",
        "force_count",
        "force_sum_n",
        "least_m_s",
        "load_changed",
        "load_falling",
        "lull_m_s",
        "origin_m",
        "peak_m",
        "peak_m_s",
        "stall_m",
        "stall_m_s",
        "stalls",
        "start_load_n",
        "start_m",
        "start_t_us",
        "taking_up",
        "up_m",
        "up_t_us",
    )

    def __init__(
        self,
        t_us: int,
        position_m: float,
        velocity_m_s: float,
        *,
        start_t_us: int,
        start_m: float,
        load_n: float,
        taking_up: bool,
        load_falling: bool = False,
    ) -> None:
        """An ascent is certain.

        Args:
            t_us: rig time now.
            position_m: position now.
            velocity_m_s: velocity now.
            start_t_us: when it began.
            start_m: where it began.
            load_n: load at its start, newtons.
            taking_up: out of the dock, to where ascents begin.
            load_falling: the load is on its way down, so that how it gathers speed tells nothing.
        """
        self.load_falling = load_falling
        self.taking_up = taking_up
        self.start_m, self.start_t_us = start_m, start_t_us
        self.origin_m = start_m
        self._from_m, self._from_m_s = position_m, 0.0
        self._gathered_m_s, self._gathered_m_s2 = velocity_m_s, self._acceleration_to(t_us, velocity_m_s)
        self._before_m_s = self._before_m_s2 = 0.0
        self.peak_m = self.up_m = position_m
        self.peak_m_s = velocity_m_s
        self.least_m_s = self.lull_m_s = NO_VELOCITY_M_S
        self.up_t_us = self.fast_t_us = t_us
        self.force_sum_n = 0.0
        self.force_count = 0
        self.stalls = 0
        self.stall_m = self.stall_m_s = 0.0
        self.load_changed = False
        self.start_load_n = load_n

    def fast(self, t_us: int, position_m: float, velocity_m_s: float, attempt_m_s: float) -> None:
        """A sample that is clearly on its way up.

        Args:
            t_us: rig time.
            position_m: position.
            velocity_m_s: velocity.
            attempt_m_s: velocity above which nobody gives all there is.
        """
        if velocity_m_s > attempt_m_s:
            self.fast_t_us = t_us
        self.moving(t_us, position_m, velocity_m_s, healthy=velocity_m_s > attempt_m_s)
        if position_m > self.peak_m:
            self.peak_m = position_m

    def moving(self, t_us: int, position_m: float, velocity_m_s: float, *, healthy: bool = False) -> None:
        """A sample that is faster than the stall velocity.

        Args:
            t_us: rig time.
            position_m: position.
            velocity_m_s: velocity.
            healthy: faster than an attempt with all there is.
        """
        self.up_m = position_m
        self.up_t_us = t_us
        if velocity_m_s < self.least_m_s:
            self.least_m_s = velocity_m_s
        if self.lull_m_s < self.least_m_s:
            self.least_m_s = self.lull_m_s
        self.lull_m_s = NO_VELOCITY_M_S
        if velocity_m_s > self.peak_m_s:
            self.peak_m_s = velocity_m_s
            if velocity_m_s * GATHERED_PART > self._gathered_m_s:
                self._before_m_s, self._before_m_s2 = self._gathered_m_s, self._gathered_m_s2
                self._gathered_m_s, self._gathered_m_s2 = velocity_m_s, self._acceleration_to(t_us, velocity_m_s)
        if healthy or velocity_m_s > BRAKED_FROM_PART * self.peak_m_s:
            self._from_m, self._from_m_s = position_m, velocity_m_s

    def _acceleration_to(self, t_us: int, velocity_m_s: float) -> float:
        """Mean acceleration since the start."""
        return velocity_m_s * 1e6 / max(1, t_us - self.start_t_us)

    @property
    def gathered_m_s2(self) -> float:
        """Mean acceleration from the start to its speed."""
        return self._gathered_m_s2

    @property
    def lost_m_s2(self) -> float:
        """Mean deceleration from the last healthy velocity to the highest position."""
        way_m = self.peak_m - self._from_m
        return 0.5 * self._from_m_s * self._from_m_s / (way_m if way_m > LEAST_BRAKING_M else LEAST_BRAKING_M)

    @property
    def _eased(self) -> bool:
        """It gathered speed about as gently as it lost it."""
        if self.load_falling or self._from_m_s < EASED_FROM_M_S or self.peak_m - self.start_m < LEAST_EASED_M:
            return False
        gathered_m_s2 = self._gathered_m_s2
        if self._before_m_s2 > gathered_m_s2 and self._before_m_s >= HALF_WAY_PART * self.peak_m_s:
            gathered_m_s2 = self._before_m_s2
        return gathered_m_s2 <= BRAKED_M_S2 and gathered_m_s2 <= EASED_PART * self.lost_m_s2

    @property
    def braked(self) -> bool:
        """It was stopped on purpose: hard, or as gently as it began.

        A handle that hardly moved tells nothing and is not braked.
        """
        return self._from_m_s >= BRAKED_FROM_M_S and (self.lost_m_s2 > BRAKED_M_S2 or self._eased)

    @property
    def slowed(self) -> bool:
        """It moved and was not stopped on purpose."""
        return self._from_m_s > 0.0 and not self.braked

    def stalled(
        self,
        reason: Reason,
        t: int,
        x: float,
        v: float,
        f: float | None,
        share: float | None,
        duration_s: float,
        probability: float,
        slowed_limit_s: float | None = None,
    ) -> StallSeen:
        """The signal for a stall in this ascent, which goes on.

        Args:
            reason: how it was seen.
            t: rig time, microseconds.
            x: position, metres.
            v: velocity, m/s.
            f: tension, newtons, if the rig reports it.
            share: position as a share of the range of motion, if known.
            duration_s: since motion ended; 0 for a stall that was foreseen.
            probability: that the ascent would not have come through.
            slowed_limit_s: the shorter limit that it stood for, where it slowed down for want of strength.
        """
        self.stalls += 1
        self.stall_m, self.stall_m_s = x, v
        return StallSeen(
            reason=reason,
            t_us=t,
            velocity_m_s=v,
            force_n=f,
            position_fraction=share,
            duration_s=duration_s,
            probability=probability,
            slowed_limit_s=slowed_limit_s,
        )

    def ended(self, outcome: RepetitionOutcome, load_n: float) -> RepetitionEnded:
        """The signal for this ascent, now that it has ended.

        Args:
            outcome: how it ended.
            load_n: load now, newtons.
        """
        seconds = (self.up_t_us - self.start_t_us) * 1e-6
        start_n = self.start_load_n
        return RepetitionEnded(
            outcome=outcome,
            t_start_us=self.start_t_us,
            t_end_us=self.up_t_us,
            rom_m=self.peak_m - self.start_m,
            mean_velocity_m_s=(self.up_m - self.start_m) / seconds if seconds > 0.0 else 0.0,
            peak_velocity_m_s=self.peak_m_s,
            min_velocity_m_s=min(self.least_m_s, self.peak_m_s),
            mean_force_n=self.force_sum_n / self.force_count if self.force_count else None,
            load_changed=self.load_changed or abs(load_n - start_n) > LOAD_CHANGED_PART * start_n,
        )
