"""Identify a rig from the outside: its ramp, the bandwidth of its motor and its friction.

A routine for an integrator with a real rig and nobody under a load: it needs only what the wire contract offers
(arm, load, telemetry), through the small `RigAccess`, and a person who moves the handle when asked. It reads no
clock and opens no socket.

Method
------
1. *A light load, the handle moved out and back at several speeds.* In steady motion
   ``force - applied = offset + coulomb * sign(v) + viscous * v``: friction helps the load one way and takes from it
   the other. Samples in which the speed changes much are left out, and what mass still shows in the others is fitted
   with the friction. Each move counts as one observation, so that friction of another form shows as scatter.
2. *Handle in its dock, which holds it.* The load is ramped up and down by three amounts as steeply as the rig can, from
   rest to rest. The force arrives, on average over the change, when the load has gone half of its way, plus the mean
   delay of the drive, plus what friction holds back:
   ``arrival = start + (change / 2 + coulomb) / rate + tau + loaded * change / 2 + creep / change``, where ``loaded`` is
   what friction adds that grows with the load. That holds however drive and cable ring meanwhile, because an average
   knows nothing of the shape. All are fitted together, from all changes at once. The rate of the load that the rig
   reports is taken for the rate if the force does not speak against it. The start is dated back from the first report
   of a load under way. The bandwidth is that of a first-order drive with this delay, ``1 / (2 pi tau)``.

Every estimate is a least-squares one with the standard deviation that its residuals imply, multiplied by `CAUTION`
because residuals that ring are not independent. Where the fit leaves more than the noise of the force explains, the
model does not hold, and the deviations are larger for it. What cannot be told is not given, with the reason. Delay in
the rig's own force filter counts as lag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from ebbset.conformance.identification.fits import AT_REST_S, TOLD_SDS, friction, noise_at_rest, overshoot, ramp_and_lag
from ebbset.conformance.identification.quantities import (
    CableIdentification,
    Estimate,
    HoldTrace,
    Move,
    NotIdentifiedError,
    Ramp,
    RigAccess,
    RigCapabilities,
)

LIGHT_SHARE: Final = 0.03
"""Load of the moves, as a share of the largest."""
HIGHEST_SHARE: Final = 0.5
CHANGES: Final = (1.0, 0.55, 0.25)
"""The changes of load, as shares of the largest: three, to tell rate, delay and creep apart."""
REPEATS: Final = 10
SPEEDS_M_S: Final = (0.15, 0.3, 0.45, 0.6)
NEAR_M: Final = 0.15
FAR_M: Final = 0.75
SETTLE_S: Final = 1.0
LONGEST_SETTLE_S: Final = 8.0
_UNSETTLED_SDS: Final = 4.0
_LEAST_SD_S: Final = 1e-5


def identify(
    access: RigAccess, *, repeats: int = REPEATS, speeds_m_s: Sequence[float] = SPEEDS_M_S
) -> tuple[CableIdentification, ...]:
    """Run the whole routine on a rig; one result per cable.

    Takes about two minutes at the defaults. Fewer repeats or speeds take less and tell less, as the standard
    deviations will show. Loads stay under half of the rig's maximum and, above the lightest, in the dock. Unloads and
    releases the rig whatever happens.

    Args:
        access: the rig.
        repeats: how often each ramp is run.
        speeds_m_s: at which the person is asked to move the handle out and back, twice each.

    Raises:
        NotIdentifiedError: too little of what is needed was in the telemetry, e.g. no force.
    """
    facts = access.facts
    low_n = max(2.0 * facts.min_load_n, LIGHT_SHARE * facts.max_load_n)
    high_n = HIGHEST_SHARE * facts.max_load_n
    if high_n < 4.0 * low_n:
        needed_n = 4.0 * low_n / HIGHEST_SHARE
        raise NotIdentifiedError(f"max_load_n is {facts.max_load_n:g}; allowed: at least {needed_n:g} for this test")
    access.arm(ceiling_n=high_n, floor_n=max(facts.min_load_n, 0.9 * low_n))
    try:
        ramps = _record_ramps(access, facts, low_n, high_n, repeats)
        moves = _record_moves(access, facts, low_n, speeds_m_s)
    finally:
        access.release()
    return tuple(_identify_cable(ramps, moves, cable) for cable in range(facts.cables))


def _record_ramps(access: RigAccess, facts: RigCapabilities, low_n: float, high_n: float, repeats: int) -> list[Ramp]:
    access.hold(low_n, ramp_n_per_s=0.3 * facts.max_ramp_n_per_s, for_s=1.0)
    ramps: list[Ramp] = []
    rate, settle_s = facts.max_ramp_n_per_s, SETTLE_S

    def change(start_n: float, end_n: float) -> Ramp:
        for_s = abs(end_n - start_n) / rate + settle_s
        return Ramp(start_n, end_n, rate, access.hold(end_n, ramp_n_per_s=rate, for_s=for_s))

    # A slow drive is still on its way after the usual time, and what it has left would be missing in every average.
    while True:
        first = change(low_n, high_n)
        ramps = [first, change(high_n, low_n)]
        if settle_s >= LONGEST_SETTLE_S or all(_settled(first, cable) for cable in range(facts.cables)):
            break
        settle_s *= 2.0
    for number in range(repeats):
        for share in CHANGES[1:] if number == 0 else CHANGES:
            top_n = low_n + share * (high_n - low_n)
            ramps += [change(low_n, top_n), change(top_n, low_n)]
    return ramps


def _settled(ramp: Ramp, cable: int) -> bool:
    """Whether the force at the end stood still: two stretches of time agree within their noise."""
    t_s, force_n = ramp.trace.t_s, ramp.trace.force_n[cable]
    last = force_n[t_s > t_s[-1] - AT_REST_S]
    before = force_n[(t_s <= t_s[-1] - AT_REST_S) & (t_s > t_s[-1] - 2.0 * AT_REST_S)]
    if not (last.size and before.size and np.all(np.isfinite(force_n))):
        return True
    spread = noise_at_rest(ramp, cable) * math.sqrt(1.0 / last.size + 1.0 / before.size)
    # A thousandth of the change is what a tail of that size adds to the delay, too.
    return abs(float(last.mean() - before.mean())) <= _UNSETTLED_SDS * spread + 0.001 * abs(ramp.to_n - ramp.from_n)


def _record_moves(
    access: RigAccess, facts: RigCapabilities, low_n: float, speeds_m_s: Sequence[float]
) -> list[HoldTrace]:
    rate = 0.3 * facts.max_ramp_n_per_s
    traces = [access.hold(low_n, ramp_n_per_s=rate, for_s=1.5, move=Move(NEAR_M, 0.2))]
    for speed in speeds_m_s:
        for _ in range(2):
            for goal_m in (FAR_M, NEAR_M):
                for_s = (FAR_M - NEAR_M) / speed + 0.5
                traces.append(access.hold(low_n, ramp_n_per_s=rate, for_s=for_s, move=Move(goal_m, speed)))
    return traces


def _identify_cable(ramps: Sequence[Ramp], moves: Sequence[HoldTrace], cable: int) -> CableIdentification:
    coulomb, viscous, offset = friction(moves, cable)
    ramp, lag, remarks = ramp_and_lag(ramps, cable, coulomb, viscous)
    bandwidth = None
    if lag is None:
        remarks.append("bandwidth: it follows from the delay")
    elif lag.value > TOLD_SDS * lag.sd:
        value = 1.0 / (2.0 * math.pi * lag.value)
        bandwidth = Estimate(value, value * lag.sd / lag.value)
    else:
        least = 1.0 / (2.0 * math.pi * (max(lag.value, 0.0) + TOLD_SDS * max(lag.sd, _LEAST_SD_S)))
        remarks.append(f"bandwidth: the delay cannot be told from none, so it is {least:.0f} Hz or more")
    return CableIdentification(
        ramp_n_per_s=ramp,
        lag_s=lag,
        bandwidth_hz=bandwidth,
        overshoot=max(overshoot(r, cable) for r in ramps if r.to_n > r.from_n),
        coulomb_n=coulomb,
        viscous_n_s_m=viscous,
        offset_n=offset,
        force_noise_n=float(np.median([noise_at_rest(r, cable) for r in ramps])),
        cannot_be_told=tuple(remarks),
    )
