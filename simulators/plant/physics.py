"""The compiled inner loop: forces, motion and fatigue of lifter and rig over one fixed step.

Per cable: motor (first-order torque lag behind a slewed command) on a reflected inertia with friction, a cable that can
pull and not push, the handle with the lifter's limb, and the muscle that drives it. Integrated with the explicit
midpoint rule, second order on smooth stretches. What the lifter decides is in
:mod:`ebbset.simulators.lifter.behaviour`. Muscle and fatigue laws are compiled from
``ebbset.models``, and the ramp from ``ebbset.rig``, not written again.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from ebbset.models.contract.units import STANDARD_GRAVITY_M_S2
from ebbset.models.physiology import fatigue as _fatigue
from ebbset.models.physiology import muscle as _muscle
from ebbset.rig import load_ramp as _load_ramp
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.behaviour import decide, left_of_fresh
from ebbset.simulators.lifter.compiled import compiled, compiled_apart
from ebbset.simulators.lifter.planning import planned_velocity_m_s

FloatArray = npt.NDArray[np.float64]
Rates = tuple[float, float, float, float, float, float, float, float, float, float, float]

force_velocity = compiled(_muscle.force_velocity)
effort_cost = compiled(_muscle.effort_cost)
strength_curve = compiled(_muscle.strength_curve)
three_compartment_rates = compiled(_fatigue.three_compartment_rates)
reserve_rates = compiled(_fatigue.reserve_rates)
ramp_change_n = compiled(_load_ramp.ramp_change_n)

_OFF = int(lay.Hand.OFF)
_SERVO = int(lay.Hand.SERVO)
_EXTERNAL = int(lay.Hand.EXTERNAL)
_HELD = int(lay.Hand.HELD)


@compiled
def cable_tension_n(p: FloatArray, x: float, v: float, y: float, w: float) -> float:
    """Cable force at the handle, N; zero while the cable is slack.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        x: handle position, m.
        v: handle velocity, m/s.
        y: cable paid out at the drum, m.
        w: its velocity, m/s.
    """
    stretch = x - y
    if stretch <= 0.0:
        return 0.0
    return float(max(p[lay.P_STIFFNESS] * stretch + p[lay.P_DAMPING] * (v - w), 0.0))


@compiled_apart
def look_at_handles(p: FloatArray, cables: FloatArray, out: FloatArray) -> None:
    """Write what can be felt and seen of every handle.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        cables: one row per cable, float64, shape (n_cables, C_SIZE).
        out: float64, shape (3, n_cables): position_m, velocity_m_s, tension_n.
    """
    for i in range(cables.shape[0]):
        row = cables[i]
        out[0, i] = row[0]
        out[1, i] = row[1]
        out[2, i] = cable_tension_n(p, row[0], row[1], row[2], row[3])


@compiled
def motor_limit_n(p: FloatArray, w: float) -> float:
    """Greatest force (N) of the motor at a cable speed: its power, and winding in also its voltage.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        w: cable speed, m/s, positive paying out.
    """
    most = p[lay.P_POWER] / max(abs(w), 1e-3)
    if w < 0.0:
        most = min(most, p[lay.P_MAX_LOAD] * max(1.0 + w / p[lay.P_NO_LOAD], 0.0))
    return float(most)


@compiled
def rates(
    p: FloatArray,
    row: FloatArray,
    x: float,
    v: float,
    y: float,
    w: float,
    motor: float,
    active: float,
    fatigued: float,
    antagonist: float,
    felt: float,
    slow: float,
    fast: float,
    command: float,
) -> Rates:
    """Time derivatives of the eleven integrated states of one cable, in the order of ``C_X`` … ``C_FAST``.

    Args:
        p: parameter vector (``P_*``).
        row: the cable's row, read only for what is held within a step (strength, hand, goal, gain, external force).
        x: handle position, m.
        v: handle velocity, m/s.
        y: cable paid out at the drum, m.
        w: its velocity, m/s.
        motor: motor force, N.
        active: active share of the muscle.
        fatigued: fatigued share (3CC-r) or depleted share of the reserve.
        antagonist: activation of the antagonists.
        felt: load as the lifter feels it, N.
        slow: slowly recovering part of fatigue.
        fast: quickly recovering part of fatigue.
        command: slewed motor command, N.
    """
    tension = cable_tension_n(p, x, v, y, w)
    hand = int(row[lay.C_HAND])
    mass = p[lay.P_HANDLE]
    force, target, brake, cost = 0.0, 0.0, 0.0, 1.0
    if hand == _SERVO:
        mass += p[lay.P_LIMB]
        f0 = row[lay.C_F0]
        reach = (x - p[lay.P_START]) / p[lay.P_ROM]
        lever = p[lay.P_SCALE] * strength_curve(
            reach, p[lay.P_BOTTOM], p[lay.P_TOP], p[lay.P_DIP], p[lay.P_DIP_AT], p[lay.P_DIP_WIDTH]
        )
        along = min(max(reach, 0.0), 1.0) - p[lay.P_WEAKEST]
        lever *= 1.0 - p[lay.P_TILT] * (1.0 - left_of_fresh(p, fatigued + fast + slow)) * along
        strength = f0 * lever
        v_max = p[lay.P_VMAX] / (1.0 + p[lay.P_LEVERAGE] * (lever - 1.0))
        plan = planned_velocity_m_s(row[lay.C_GOAL] - x, row[lay.C_V_LIMIT], p[lay.P_BRAKING])
        at_plan = max(force_velocity(plan / v_max, p[lay.P_CURVATURE], p[lay.P_ECCENTRIC]), 0.1)
        effort = felt / (strength * at_plan) + lay.VELOCITY_GAIN_S_M * (plan - v)
        target = min(max(effort, 0.0), 1.0)
        # Who still wants to go up does not pull a weight down, since it is enough to stop pushing; but what weighs less
        # than the limbs themselves brakes nothing.
        brake = min(max(-effort, 0.0), 1.0)
        if plan >= 0.0:
            brake *= max(1.0 - felt / (p[lay.P_LIMB] * STANDARD_GRAVITY_M_S2), 0.0)
        shape = force_velocity(v / v_max, p[lay.P_CURVATURE], p[lay.P_ECCENTRIC])
        cost = effort_cost(shape * v / (v_max * p[lay.P_PEAK_POWER]), p[lay.P_COST])
        force = row[lay.C_GAIN] * active * strength * shape - lay.ANTAGONIST_SHARE * f0 * antagonist
        over = x - (p[lay.P_START] + p[lay.P_ROM] + lay.JOINT_LIMIT_MARGIN_M)
        if over > 0.0:
            force -= max(lay.JOINT_LIMIT_N_M * over + lay.JOINT_LIMIT_N_S_M * v, 0.0)
    elif hand == _EXTERNAL:
        force = row[lay.C_EXTERNAL]
    elif hand == _HELD:
        mass += p[lay.P_LIMB]
        force = row[lay.C_EXTERNAL]
    if x < 0.0:
        force += max(-lay.DOCK_N_M * x - lay.DOCK_N_S_M * v, 0.0)
    elif hand == _OFF and x < lay.CRADLE_M and abs(v) < lay.CRADLE_M_S:
        # A handle put down lies in its cradle; without this an unloaded one floats away on the last bit of speed.
        force -= lay.DOCK_N_S_M * v
    pull = min(motor, motor_limit_n(p, w))
    if tension == 0.0 and y > x:
        # A rig winds up a slack cable; otherwise the next load would begin with a jerk at the dock.
        pull = max(pull, p[lay.P_COULOMB] + lay.TAKE_UP_N)
    rubbing = p[lay.P_COULOMB] / math.sqrt(w * w + lay.FRICTION_KNEE_M_S**2)
    # Friction that reverses within a step makes the step unstable, so under a heavy load it sets in more gently.
    knee = max(lay.LOAD_FRICTION_KNEE_M_S, p[lay.P_LOAD_KNEE] * tension)
    rubbing += p[lay.P_COULOMB_SHARE] * tension / math.sqrt(w * w + knee * knee)
    friction = (rubbing + p[lay.P_VISCOUS]) * w
    if p[lay.P_MODEL] == 0.0:
        d_active, d_fatigued, d_fast, d_slow = three_compartment_rates(
            active, fatigued, fast, slow, target, p[lay.P_FATIGUE_A], p[lay.P_FATIGUE_B], p[lay.P_FATIGUE_C],
            p[lay.P_FAST_SHARE], p[lay.P_FAST_RATE], p[lay.P_SLOW_SHARE], p[lay.P_SLOW_RATE], p[lay.P_STRAIN],
            p[lay.P_DEVELOP], p[lay.P_RELAX], cost,
        )  # fmt: skip
    else:
        d_active, d_fatigued, d_fast, d_slow = reserve_rates(
            active, fatigued, fast, slow, target, p[lay.P_FATIGUE_A], p[lay.P_FATIGUE_B], p[lay.P_FATIGUE_C],
            p[lay.P_FAST_SHARE], p[lay.P_FAST_RATE], p[lay.P_SLOW_SHARE], p[lay.P_SLOW_RATE], p[lay.P_STRAIN],
            p[lay.P_DEVELOP], p[lay.P_RELAX], cost,
        )  # fmt: skip
    return (
        v,
        (force - tension) / mass,
        w,
        (tension - pull - friction) / p[lay.P_INERTIA],
        p[lay.P_MOTOR_RATE] * (command - motor),
        d_active,
        d_fatigued,
        p[lay.P_RELAX] * (brake - antagonist),
        lay.FELT_RATE_PER_S * (tension - felt),
        d_slow,
        d_fast,
    )


@compiled
def step_cable(p: FloatArray, row: FloatArray, ramp_n_per_s: float) -> None:
    """Advance one cable by one step of ``P_DT`` (explicit midpoint); changes ``row`` in place.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        row: one cable, float64, shape (C_SIZE,).
        ramp_n_per_s: fastest change of the command, N/s.
    """
    dt = p[lay.P_DT]
    half = 0.5 * dt
    most = min(ramp_n_per_s, p[lay.P_MAX_RAMP]) * dt
    command = row[lay.C_COMMAND]
    change = ramp_change_n(command, row[lay.C_TARGET], most)
    a = rates(p, row, row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], command)
    b = rates(
        p,
        row,
        row[0] + half * a[0],
        row[1] + half * a[1],
        row[2] + half * a[2],
        row[3] + half * a[3],
        row[4] + half * a[4],
        row[5] + half * a[5],
        row[6] + half * a[6],
        row[7] + half * a[7],
        row[8] + half * a[8],
        row[9] + half * a[9],
        row[10] + half * a[10],
        command + 0.5 * change,
    )
    row[0] += dt * b[0]
    row[1] += dt * b[1]
    row[2] += dt * b[2]
    row[3] += dt * b[3]
    row[4] += dt * b[4]
    row[5] += dt * b[5]
    row[6] = min(max(row[6] + dt * b[6], 0.0), 1.0)
    row[7] += dt * b[7]
    row[8] += dt * b[8]
    row[9] = min(max(row[9] + dt * b[9], 0.0), 1.0)
    row[10] = min(max(row[10] + dt * b[10], 0.0), 1.0)
    row[lay.C_COMMAND] = command + change


@compiled_apart
def advance(
    p: FloatArray, cables: FloatArray, g: FloatArray, random: npt.NDArray[np.uint64], records: FloatArray, steps: int
) -> None:
    """Advance the whole plant by ``steps`` steps, in place.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        cables: one row per cable, float64, shape (n_cables, C_SIZE).
        g: the lifter as a whole, float64, shape (G_SIZE,).
        random: state of the random stream, uint64, shape (1,).
        records: repetition records, float64, shape (MAX_RECORDS, R_SIZE).
        steps: how many steps of ``P_DT``.
    """
    for _ in range(steps):
        decide(p, cables, g, random, records)
        for i in range(cables.shape[0]):
            step_cable(p, cables[i], g[lay.G_RAMP])
        g[lay.G_STEP] += 1.0


@compiled_apart
def run_frame(
    p: FloatArray,
    cables: FloatArray,
    g: FloatArray,
    random: npt.NDArray[np.uint64],
    records: FloatArray,
    samples: int,
    steps_per_sample: int,
    out: FloatArray,
) -> float:
    """Advance and write true (t_s, position_m, velocity_m_s, tension_n) into out[samples, cables, 4]; the time then.

    Args:
        p: parameters, float64, shape (P_SIZE,).
        cables: one row per cable, float64, shape (n_cables, C_SIZE).
        g: the lifter as a whole, float64, shape (G_SIZE,).
        random: state of the random stream, uint64, shape (1,).
        records: repetition records, float64, shape (MAX_RECORDS, R_SIZE).
        samples: how many samples to write.
        steps_per_sample: steps before each.
        out: float64, shape (>= samples, n_cables, 4).
    """
    for k in range(samples):
        advance(p, cables, g, random, records, steps_per_sample)
        t = g[lay.G_STEP] * p[lay.P_DT]
        for i in range(cables.shape[0]):
            row = cables[i]
            out[k, i, 0] = t
            out[k, i, 1] = row[0]
            out[k, i, 2] = row[1]
            out[k, i, 3] = cable_tension_n(p, row[0], row[1], row[2], row[3])
    return float(g[lay.G_STEP] * p[lay.P_DT])
