"""Mean force against applied load, slowly: what is left of their difference once friction and inertia cancel.

What lives here: the check of one cable, by frames or by summaries. What never does: what to do about it (the
regulator), and differences so large that no mean is needed (`sensor_check`).

Derivation. With position ``x`` growing as the cable is pulled out, applied load ``L``, inertia ``m`` between force cell
and motor, friction ``c`` (Coulomb) and ``b`` (viscous), and an error ``e`` of the cell or of the drive, tension is

    F = L + m x'' + c sign(x') + b x' + e

- *Inertia* over distance: ``∫ m x'' dx`` is the change of kinetic energy, which is zero from one turning point to the
  next. Over time it is the change of momentum, which is zero there too.
- *Friction* over distance adds ``c`` on the way out and takes off ``c`` on the way in, however long each takes. Over
  time the slower direction would count for more, and so would a pause, in which friction may be anything from ``-c`` to
  ``c``. So differences are averaged over distance, each direction by itself, and the two directions count alike:

    ½ (mean of F - L on the way out  +  mean of F - L on the way in)  =  e + ½ b (v_out - v_in)

  with the mean speeds ``v`` over distance: a drag of 20 N·s/m and speeds that differ by 0.5 m/s leave 5 N. A loss in
  proportion to the load (a gear) cancels in the same way, up to its square.
- *Not moving*, or moving one way only, a cycle never closes. Then all that is known is ``|F - L| ≤ friction + |e|``;
  over a second the momentum of a handle adds a few newtons. That wider bound guards a hold, a lifter whom a grown load
  pins, and a slow descent that never turns.

A summary holds the mean force of the ascent only, over time. An ascent begins and ends at rest, so inertia cancels,
friction does not, and the wider bound applies.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ebbset.controller.detection.signals import SensorTrouble
from ebbset.controller.messages.reasons import Reason

# Judgement, no source. The offset is what a rig may show unloaded and still pass its conformance check; the part is
# what the applied load may differ from the commanded one. Friction is several times that of a sound cable rig.
OFFSET_N: Final = 25.0
PART: Final = 0.06
FRICTION_N: Final = 60.0
WINDOW_S: Final = 1.25
"""Time over which a bound that friction does not leave is averaged."""
MEANS_IN_A_ROW: Final = 3
"""Means that must be beyond on one side in a row. Each way counts in two, so one odd movement never ends a set."""
ASCENTS_IN_A_ROW: Final = 2
"""The same of summaries, of which each counts once."""
TURN_M: Final = 0.03
"""Going back so far is turning; less is a sag or a wobble."""
WAY_M: Final = 0.08
"""A shorter way says too little."""
MOVING_M_S: Final = 0.03
"""A slower frame, from its beginning to its end, belongs to a pause, in which friction may be anything."""


def allowed_mean_n(load_n: float) -> float:
    """By how much mean force may differ from this load over whole repetitions, newtons."""
    return OFFSET_N + PART * load_n


def allowed_one_way_n(load_n: float) -> float:
    """By how much mean force may differ from this load where friction does not cancel, newtons."""
    return FRICTION_N + allowed_mean_n(load_n)


class _OneWay:
    """Sums over the distance moved one way."""

    __slots__ = ("load_n_m", "path_m", "work_n_m")

    def __init__(self) -> None:
        self.path_m = self.work_n_m = self.load_n_m = 0.0

    def add(self, step_m: float, difference_n: float, load_n: float) -> None:
        self.path_m += step_m
        self.work_n_m += difference_n * step_m
        self.load_n_m += load_n * step_m


class MeanForceCheck:
    """Mean force against applied load on one cable, from frames; a difference is told once until samples are lost."""

    __slots__ = (
        "_back",
        "_extreme_m",
        "_load_n",
        "_means",
        "_newest_n",
        "_outward",
        "_strikes",
        "_told",
        "_velocity_m_s",
        "_way",
        "_window_n_s",
        "_window_s",
    )

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Samples were lost, or the handle was in the dock or unloaded: begin anew."""
        self._means: list[tuple[float, float] | None] = [None, None]
        self._strikes = 0
        self._told = False
        self._newest_n: float | None = None
        self._load_n: float | None = None
        self._velocity_m_s = 0.0
        self._window_n_s = self._window_s = 0.0
        self._outward = True
        self._extreme_m: float | None = None
        self._way = _OneWay()
        self._back = _OneWay()

    def frame(
        self,
        t_us: int,
        since_us: int,
        from_m: float,
        to_m: float,
        velocity_m_s: float,
        force_n: Sequence[float],
        load_n: float,
        *,
        docked: bool,
    ) -> SensorTrouble | None:
        """One frame.

        Args:
            t_us: rig time of its newest sample.
            since_us: time since the frame before, microseconds.
            from_m: raw position at the end of the frame before, metres.
            to_m: raw position at the end of this one, metres.
            velocity_m_s: filtered velocity at its end.
            force_n: its cable tensions, oldest first, shape (n,), newtons.
            load_n: load that the rig says it applies at its end, newtons.
            docked: the handle rests at the rig, which may take the tension.

        Returns:
            Reason SENSORS_DISAGREE with the mean difference when it is beyond what is allowed; else ``None``.
        """
        if docked or load_n <= 0.0:
            self.restart()
            return None
        before_n = self._load_n
        difference_n = self._mean_n(force_n) - (load_n if before_n is None else 0.5 * (before_n + load_n))
        self._load_n = load_n
        moving = _beyond(velocity_m_s, MOVING_M_S) or _beyond(self._velocity_m_s, MOVING_M_S)
        self._velocity_m_s = velocity_m_s
        trouble = self._over_time(t_us, difference_n, since_us * 1e-6, load_n)
        if moving or self._extreme_m is None:
            cycle = self._over_distance(t_us, difference_n, from_m, to_m, load_n)
            trouble = trouble or cycle
        return trouble

    def _mean_n(self, force_n: Sequence[float]) -> float:
        """Mean tension since the sample before the frame, by trapezia."""
        before_n, newest_n = self._newest_n, force_n[-1]
        self._newest_n = newest_n
        total_n = 0.0
        for value in force_n:
            total_n += value
        if before_n is not None:
            total_n += 0.5 * (before_n - newest_n)
        return total_n / len(force_n)

    def _over_time(self, t_us: int, difference_n: float, seconds: float, load_n: float) -> SensorTrouble | None:
        self._window_n_s += difference_n * seconds
        self._window_s += seconds
        if self._window_s < WINDOW_S:
            return None
        mean_n = self._window_n_s / self._window_s
        self._window_n_s = self._window_s = 0.0
        allowed_n = allowed_one_way_n(load_n)
        if not _beyond(mean_n, allowed_n):
            return None
        return self._tell(t_us, "force_difference_over_time_n", mean_n, allowed_n)

    def _over_distance(
        self, t_us: int, difference_n: float, from_m: float, to_m: float, load_n: float
    ) -> SensorTrouble | None:
        extreme_m = from_m if self._extreme_m is None else self._extreme_m
        sign = 1.0 if self._outward else -1.0
        step_m = sign * (to_m - from_m)
        if step_m > 0.0:
            self._way.add(step_m, difference_n, load_n)
        else:
            self._back.add(-step_m, difference_n, load_n)
        self._extreme_m = extreme_m
        ahead_m = sign * (to_m - extreme_m)
        if ahead_m > 0.0:
            # what looked like turning was a sag
            self._extreme_m = to_m
            if self._back.path_m > 0.0:
                self._back = _OneWay()
        elif ahead_m < -TURN_M:
            return self._turned(t_us, to_m)
        return None

    def _turned(self, t_us: int, at_m: float) -> SensorTrouble | None:
        """The handle has turned: the way to the extreme is over, and the way back is under way."""
        over, outward = self._way, self._outward
        self._way, self._back = self._back, _OneWay()
        self._outward = not outward
        self._extreme_m = at_m
        if over.path_m < WAY_M:
            return None
        self._means[outward] = (over.work_n_m / over.path_m, over.load_n_m / over.path_m)
        out, back = self._means[True], self._means[False]
        if out is None or back is None:
            return None
        mean_n, allowed_n = 0.5 * (out[0] + back[0]), allowed_mean_n(0.5 * (out[1] + back[1]))
        self._strikes = _strikes(self._strikes, mean_n, allowed_n)
        if not _beyond(self._strikes, MEANS_IN_A_ROW - 1):
            return None
        return self._tell(t_us, "force_difference_over_repetitions_n", mean_n, allowed_n)

    def _tell(self, t_us: int, quantity: str, value: float, allowed: float) -> SensorTrouble | None:
        if self._told:
            return None
        self._told = True
        return _trouble(t_us, quantity, value, allowed)


class AscentForceCheck:
    """Mean force of a rig's own summaries against the load it says it applies, on one cable."""

    __slots__ = ("_load_n", "_strikes")

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Another load was programmed."""
        self._load_n: float | None = None
        self._strikes = 0

    def ascent(self, t_us: int, mean_force_n: float, load_n: float) -> SensorTrouble | None:
        """One ascent.

        Args:
            t_us: rig time of its end.
            mean_force_n: mean tension over it, newtons.
            load_n: load that the rig says it applies at its end, newtons.

        Returns:
            Reason SENSORS_DISAGREE at the second ascent in a row beyond what is allowed; else ``None``.
        """
        before_n = load_n if self._load_n is None else self._load_n
        self._load_n = load_n
        # a drop may have come on at any time since the ascent before
        low_n, high_n = (load_n, before_n) if load_n < before_n else (before_n, load_n)
        if mean_force_n > high_n:
            difference_n, allowed_n = mean_force_n - high_n, allowed_one_way_n(high_n)
        elif mean_force_n < low_n:
            difference_n, allowed_n = mean_force_n - low_n, allowed_one_way_n(low_n)
        else:
            difference_n, allowed_n = 0.0, allowed_one_way_n(load_n)
        self._strikes = _strikes(self._strikes, difference_n, allowed_n)
        if not _beyond(self._strikes, ASCENTS_IN_A_ROW - 1):
            return None
        return _trouble(t_us, "force_difference_over_repetitions_n", difference_n, allowed_n)


def _trouble(t_us: int, quantity: str, value: float, allowed: float) -> SensorTrouble:
    return SensorTrouble(reason=Reason.SENSORS_DISAGREE, t_us=t_us, quantity=quantity, value=value, allowed=allowed)


def _beyond(value: float, allowed: float) -> bool:
    return value > allowed or value < -allowed


def _strikes(before: int, difference_n: float, allowed_n: float) -> int:
    """Means beyond on one side in a row: counted upward above, downward below."""
    if difference_n > allowed_n:
        return before + 1 if before > 0 else 1
    if difference_n < -allowed_n:
        return before - 1 if before < 0 else -1
    return 0
