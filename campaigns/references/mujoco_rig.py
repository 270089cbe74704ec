"""Compares the rig's mechanics with the same rig built in MuJoCo, an independent engine (mujoco.org, Apache-2.0).

The rig is the same, the equations differ: in MuJoCo the cable is a tendon limit, a unilateral spring-damper solved as
a constraint; Coulomb friction is its dry friction loss, not our smoothed one; the motor is its filtered actuator; the
step is a tenth of ours and the integrator differs. Our firmware runs on both sides, each fed by its own simulator.

Known difference: our handle creeps where dry friction sticks. When a handle is held still for seconds, the two forces
settle up to the Coulomb friction apart; no scene here shows this for longer than a second.

Needs the ``mujoco`` package, which only development installs bring.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import mujoco
import numpy as np
import numpy.typing as npt

from ebbset.controller.messages.actions import SendArm, SendLoad
from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.simulators.lifter import layout as lay
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.simulated_rig import limits_of

FloatArray = npt.NDArray[np.float64]
Hand = Callable[[float, float, float], float]
"""External force on the handle, N, from time in s, position in m and velocity in m/s."""
RIG: Final = RigParameters(coulomb_share=0.0, max_power_w=1.0e9, no_load_speed_m_s=1.0e9)
"""Without what MuJoCo's drum has no counterpart for: friction that grows with the load, and the motor's own limits."""
FINE: Final = 10
"""MuJoCo steps in one of ours."""
START_M: Final = 1.2
IMPEDANCE: Final = 1e-3
"""How much of a constraint's force MuJoCo takes from its own softness; small, so that the cable adds no mass."""

# A soft constraint with impedance d acts as a spring and damper of the given stiffness and damping times the effective
# mass over (1 - d) (MuJoCo documentation, "Solver parameters": k = stiffness * d / dmax^2, b = damping / dmax, and a
# regularisation of (1 - d) / d over the effective mass), so the cable's own figures are divided by that.
_EFFECTIVE_MASS: Final = 1.0 / (1.0 / RIG.inertia_kg + 1.0 / RIG.handle_mass_kg)
_SCALE: Final = _EFFECTIVE_MASS / (1.0 - IMPEDANCE)
MODEL: Final = f"""
<mujoco>
  <option timestep="{1e-3 / FINE}" gravity="0 0 0" integrator="implicitfast"/>
  <worldbody>
    <body><joint name="drum" type="slide" axis="1 0 0" damping="{RIG.viscous_n_s_m}" frictionloss="{RIG.coulomb_n}"/>
      <geom type="box" size=".01 .01 .01" mass="{RIG.inertia_kg}" contype="0" conaffinity="0"/></body>
    <body><joint name="handle" type="slide" axis="1 0 0"/>
      <geom type="box" size=".01 .01 .01" mass="{RIG.handle_mass_kg}" contype="0" conaffinity="0"/></body>
  </worldbody>
  <tendon>
    <fixed name="cable" limited="true" range="-100 0" solimplimit="{IMPEDANCE} {IMPEDANCE} 0.001"
           solreflimit="{-RIG.cable_stiffness_n_m / _SCALE} {-RIG.cable_damping_n_s_m / _SCALE}">
      <joint joint="handle" coef="1"/><joint joint="drum" coef="-1"/>
    </fixed>
  </tendon>
  <actuator>
    <general joint="drum" gear="-1" dyntype="filterexact" dynprm="{1 / (2 * math.pi * RIG.torque_bandwidth_hz)}"/>
  </actuator>
</mujoco>
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One experiment.

    Attributes:
        lease_ms: lease of every load.
        loads: commanded load in N and ramp in N/s, by the millisecond at which they are commanded.
        renewed_until_ms: when the controller stops renewing the lease.
        hand: external force on the handle.
        held_n: load under which the handle is held still at the start.
        duration_ms: length of the scene.
    """

    lease_ms: int
    loads: dict[int, tuple[float, float]]
    renewed_until_ms: int
    hand: Hand
    held_n: float
    duration_ms: int


class _Orders:
    """The commands to the firmware and their times; the same for both simulators."""

    def __init__(self, scene: Scene) -> None:
        self.firmware = RigFirmware(limits_of(RIG), boot_id="boot-0001")
        self.events: list[tuple[int, RigEventKind]] = []
        self._lease_ms = scene.lease_ms
        self._loads = scene.loads
        self._until_ms = scene.renewed_until_ms
        self._seq = 1
        self._now: tuple[float, float] | None = None
        self.firmware.handle_command(
            SendArm(
                nonce="nonce-0001",
                seq=1,
                ceiling_n=(1_000.0,),
                floor_n=(20.0,),
                max_ramp_n_per_s=2_000.0,
                lease_ms=scene.lease_ms,
            ),
            t_us=0,
            docked=True,
            applied_n=(0.0,),
        )

    def drive(self, ms: int, position_m: float, velocity_m_s: float, applied_n: float) -> tuple[float, float]:
        """Target and ramp for the coming millisecond."""
        t_us = ms * 1_000
        changed = ms in self._loads
        if changed:
            self._now = self._loads[ms]
        if self._now is not None and ms < self._until_ms and (changed or ms % (self._lease_ms // 4) == 0):
            self._seq += 1
            # The handle counts as docked so that the load may rise, though both simulators start with it in the hand.
            self.firmware.handle_command(
                SendLoad(
                    nonce="nonce-0001",
                    seq=self._seq,
                    target_n=(self._now[0],),
                    ramp_n_per_s=self._now[1],
                    lease_ms=self._lease_ms,
                    cites_t_us=t_us,
                ),
                t_us=t_us,
                docked=True,
                applied_n=(applied_n,),
            )
        notices = self.firmware.tick(
            t_us=t_us,
            docked=True,
            applied_n=(applied_n,),
            position_m=(position_m,),
            velocity_m_s=(velocity_m_s,),
        )
        self.events += [(ms, notice.kind) for notice in notices]
        return self.firmware.target_n[0], self.firmware.ramp_n_per_s


def _in_ours(orders: _Orders, scene: Scene) -> FloatArray:
    """Position, velocity and tension after each millisecond, by `Plant`, from a handle held still under a load."""
    lifter = draw_lifter(exercise("row"), person_rng(11, 0))
    plant = Plant(RIG, lifter, np.random.default_rng(0), 1e-3)
    row = plant.state.cables[0]
    row[[lay.C_X, lay.C_Y]] = START_M, START_M - scene.held_n / RIG.cable_stiffness_n_m
    row[[lay.C_MOTOR, lay.C_COMMAND, lay.C_TARGET]] = scene.held_n
    out = np.empty((1, 1, 4))
    rows = np.empty((scene.duration_ms, 3))
    x, v = START_M, 0.0
    for ms in range(scene.duration_ms):
        target, ramp = orders.drive(ms, x, v, plant.applied_n[0])
        plant.command((target,), ramp)
        plant.pull((scene.hand(ms * 1e-3, x, v),))
        plant.run_frame(1, 1, out)
        rows[ms] = out[0, 0, 1:]
        x, v = rows[ms, 0], rows[ms, 1]
    return rows


def _in_mujoco(orders: _Orders, scene: Scene) -> FloatArray:
    """The same by MuJoCo."""
    model = mujoco.MjModel.from_xml_string(MODEL)
    data = mujoco.MjData(model)
    handle = model.joint("handle").dofadr[0]
    data.qpos[handle], data.qpos[1 - handle] = START_M, START_M - scene.held_n / RIG.cable_stiffness_n_m
    data.act[0] = scene.held_n
    rows = np.empty((scene.duration_ms, 3))
    applied = scene.held_n
    for ms in range(scene.duration_ms):
        target, ramp = orders.drive(ms, data.qpos[handle], data.qvel[handle], applied)
        for _ in range(FINE):
            most = ramp * 1e-3 / FINE
            applied += min(max(target - applied, -most), most)
            data.ctrl[0] = applied
            data.qfrc_applied[handle] = scene.hand(data.time, data.qpos[handle], data.qvel[handle])
            mujoco.mj_step(model, data)
        stretch = data.qpos[handle] - data.qpos[1 - handle]
        rate = data.qvel[handle] - data.qvel[1 - handle]
        tension = max(RIG.cable_stiffness_n_m * stretch + RIG.cable_damping_n_s_m * rate, 0.0) if stretch > 0 else 0.0
        rows[ms] = data.qpos[handle], data.qvel[handle], tension
    return rows


def _rms_error(ours: FloatArray, theirs: FloatArray) -> float:
    """RMS of the difference over the RMS of the change from the start."""
    return float(np.sqrt(np.mean((ours - theirs) ** 2) / np.mean((theirs - theirs[0]) ** 2)))


def _bungee(anchor_m: Callable[[float], float], stiffness_n_m: float = 1_500.0, damping_n_s_m: float = 120.0) -> Hand:
    return lambda t_s, x_m, v_m_s: stiffness_n_m * (anchor_m(t_s) - x_m) - damping_n_s_m * v_m_s


def _nobody(_t_s: float, _position_m: float, _velocity_m_s: float) -> float:
    return 0.0


SCENES: Final[dict[str, Scene]] = {
    "motor step": Scene(
        lease_ms=400,
        loads={100: (200.0, 2_000.0), 900: (420.0, 2_000.0)},
        renewed_until_ms=5_000,
        hand=_bungee(lambda _t_s: START_M),
        held_n=0.0,
        duration_ms=2_000,
    ),
    "free fall caught by the lease": Scene(
        lease_ms=160,
        loads={0: (60.0, 2_000.0)},
        renewed_until_ms=1,
        hand=_nobody,
        held_n=60.0,
        duration_ms=450,
    ),
    "sinusoid": Scene(
        lease_ms=400,
        loads={0: (250.0, 2_000.0)},
        renewed_until_ms=5_000,
        hand=_bungee(lambda t_s: START_M + 0.25 * math.sin(2 * math.pi * 0.8 * t_s), 3_000.0, 200.0),
        held_n=0.0,
        duration_ms=3_000,
    ),
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both simulators' traces of one scene and how far they are apart.

    Attributes:
        ours: position in m, velocity in m/s and tension in N after each millisecond, by our plant.
        theirs: the same by MuJoCo.
        our_events: (ms, kind) of what our firmware reported on our plant.
        their_events: the same on MuJoCo.
        position_error: RMS of the difference in position over the RMS of its change from the start.
        force_error: the same of the tension.
    """

    ours: FloatArray
    theirs: FloatArray
    our_events: tuple[tuple[int, RigEventKind], ...]
    their_events: tuple[tuple[int, RigEventKind], ...]
    position_error: float
    force_error: float


def compare(scene: Scene) -> Comparison:
    """Run one scene in both simulators."""
    our_orders, their_orders = _Orders(scene), _Orders(scene)
    ours, theirs = _in_ours(our_orders, scene), _in_mujoco(their_orders, scene)
    return Comparison(
        ours,
        theirs,
        tuple(our_orders.events),
        tuple(their_orders.events),
        _rms_error(ours[:, 0], theirs[:, 0]),
        _rms_error(ours[:, 2], theirs[:, 2]),
    )
