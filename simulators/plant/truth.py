"""What only a simulator knows of a set: every attempt as it really was, and the state of the lifter behind it."""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.simulators.lifter import layout as lay


@dataclass(frozen=True, slots=True)
class RepetitionTruth:
    """One attempt at a repetition, as it really was.

    Attributes:
        start_s: first upward movement.
        end_s: end of the concentric phase, or giving in.
        start_m: position then.
        end_m: position at the end.
        mean_velocity_m_s: mean concentric velocity.
        propulsive_velocity_m_s: mean until the deceleration first exceeds gravity for good.
        peak_velocity_m_s: peak.
        min_velocity_m_s: lowest velocity between 8 and 90 % of the range.
        min_at_share: where that was, share of the range.
        completed: reached at least 95 % of the range.
        load_n: load felt per cable when it began.
        capacity: share of the fresh maximal force left at its end.
    """

    start_s: float
    end_s: float
    start_m: float
    end_m: float
    mean_velocity_m_s: float
    propulsive_velocity_m_s: float
    peak_velocity_m_s: float
    min_velocity_m_s: float
    min_at_share: float
    completed: bool
    load_n: float
    capacity: float


@dataclass(frozen=True, slots=True)
class Truth:
    """True values that cannot be measured on real people.

    Attributes:
        time_s: simulated time.
        phase: what the lifter is doing.
        repetitions: completed since ``start``.
        attempts: begun since ``start``.
        capacity: momentary maximal force over the fresh one, at standstill at the weakest point, all arms.
        isometric_n: that force per cable, N.
        fatigued: per cable, fatigued share of 3CC-r or spent share of the reserve.
        active: per cable, active share.
        records: attempts since ``start``, oldest first (the first 256).
        done: the lifter has ended the set (put the handle down or let go).
    """

    time_s: float
    phase: lay.Phase
    repetitions: int
    attempts: int
    capacity: float
    isometric_n: tuple[float, ...]
    fatigued: tuple[float, ...]
    active: tuple[float, ...]
    records: tuple[RepetitionTruth, ...]
    done: bool
