"""An arm and a leg in MuJoCo (mujoco.org, Apache-2.0), and what their muscles give along the path of a handle.

Hand or foot is guided along a straight line, as by the rail of a machine, which takes the sideways forces; so its place
sets every joint, and by virtual work a muscle's pull at the handle is its force times its shortening per metre of the
handle. MuJoCo gives the geometry (lengths and moment arms of muscles that wrap around joints), force-length and
passive force of the muscle, the inertia matrix and gravity; that is read once, when the person is drawn, into a table
over the path, because MuJoCo's own step would cost more than the rest of the simulation. Only its force-velocity curve
is written again in `jointed` (a test holds both against MuJoCo's dynamics of the same limb with its hand on a slider).

Muscle forces and attachments are round figures near published models of arm and leg (Holzbaur, Murray & Delp 2005 Ann
Biomed Eng 33:829-840; Delp et al. 1990 IEEE Trans Biomed Eng 37:757-767), segment masses as in Winter's tables; all
from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

try:
    import mujoco
except ModuleNotFoundError as error:
    raise ModuleNotFoundError(
        "lifters with joints need mujoco, which is not installed; pip install 'ebbset[bodies]'", name="mujoco"
    ) from error

FloatArray = npt.NDArray[np.float64]

GRAVITY_M_S2: Final = 9.81
MARGIN: Final = 0.06
"""The table goes on by so much of the range below the bottom and above the top."""
PLACES: Final = 97
_NUDGE_M: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Muscle:
    """One muscle: its greatest force and its course in the plane of the limb.

    Attributes:
        name: of the muscle.
        force_n: greatest force at optimal length.
        fatigue_per_s: share of its force lost in a second of full activity when fresh.
        course: points (segment, along, across) with segment 0 for the trunk, in m, and between two of them, where
            the muscle wraps around a joint, (joint, side) with side 1 or -1.
    """

    name: str
    force_n: float
    fatigue_per_s: float
    course: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Limb:
    """A chain of segments in a plane; bending of the middle joint turns the second segment counter-clockwise.

    Attributes:
        lengths_m: of the segments.
        masses_kg: of the segments.
        wraps_m: radius at each joint that muscles wrap around.
        ranges_rad: lowest and highest angle of each joint, over which muscle lengths range.
        muscles: the muscles.
        foot_rad: angle that a third segment keeps in space; None: there is none.
    """

    lengths_m: tuple[float, ...]
    masses_kg: tuple[float, ...]
    wraps_m: tuple[float, ...]
    ranges_rad: tuple[tuple[float, float], ...]
    muscles: tuple[Muscle, ...]
    foot_rad: float | None = None

    @property
    def reach_m(self) -> float:
        """Length of both long segments together."""
        return self.lengths_m[0] + self.lengths_m[1]


@dataclass(frozen=True, slots=True)
class Path:
    """The line of the handle, from the first joint, in shares of the limb's reach.

    Attributes:
        start: where it begins (the bottom of the movement).
        direction: unit vector.
        length: how far it goes.
        gravity: which way gravity pulls in the plane; (0, 0): across it.
    """

    start: tuple[float, float]
    direction: tuple[float, float]
    length: float
    gravity: tuple[float, float]


# Fatigue at a joint: F of the three-compartment model, Frey-Law, Looft & Heitsman 2012 J Biomech 45:1803-1808.
_SHOULDER, _ELBOW, _KNEE, _ANKLE, _HIP = 0.0182, 0.00912, 0.0150, 0.00589, 0.0097

ARM: Final = Limb(
    lengths_m=(0.30, 0.33),
    masses_kg=(2.1, 1.65),
    wraps_m=(0.035, 0.018),
    ranges_rad=((-1.75, 1.6), (0.25, 2.55)),
    muscles=(
        Muscle("pectoral_and_deltoid", 2300.0, _SHOULDER, ((0, -0.03, 0.09), (0, 1), (1, 0.11, 0.010))),
        Muscle("latissimus_and_deltoid", 1700.0, _SHOULDER, ((0, -0.10, -0.06), (0, -1), (1, 0.09, -0.010))),
        Muscle("brachialis", 1250.0, _ELBOW, ((1, 0.16, 0.015), (1, 1), (2, 0.04, 0.008))),
        Muscle("biceps", 1050.0, _ELBOW, ((0, -0.01, 0.045), (0, 1), (1, 0.15, 0.025), (1, 1), (2, 0.05, 0.010))),
        Muscle("triceps", 1250.0, _ELBOW, ((1, 0.12, -0.018), (1, -1), (2, -0.003, -0.019))),
        Muscle(
            "triceps_long", 800.0, _ELBOW, ((0, -0.03, -0.03), (0, -1), (1, 0.14, -0.022), (1, -1), (2, -0.003, -0.019))
        ),
    ),
)
LEG: Final = Limb(
    lengths_m=(0.43, 0.43, 0.20),
    masses_kg=(7.5, 3.5, 1.1),
    wraps_m=(0.050, 0.035, 0.012),
    ranges_rad=((-2.0, 0.2), (0.1, 2.3), (-2.3, -1.1)),
    muscles=(
        Muscle("gluteus", 2000.0, _HIP, ((0, -0.10, 0.07), (0, 1), (1, 0.13, 0.020))),
        Muscle("hamstrings", 2400.0, _HIP, ((0, -0.05, 0.06), (0, 1), (1, 0.30, 0.035), (1, 1), (2, 0.06, 0.020))),
        Muscle("rectus", 1150.0, _KNEE, ((0, 0.01, -0.06), (0, -1), (1, 0.30, -0.045), (1, -1), (2, 0.01, -0.037))),
        Muscle("vasti", 4500.0, _KNEE, ((1, 0.20, -0.045), (1, -1), (2, 0.01, -0.037))),
        Muscle("gastrocnemius", 1600.0, _ANKLE, ((1, 0.40, 0.022), (1, 1), (2, 0.20, 0.040), (3, -0.05, 0.0))),
        Muscle("soleus", 2800.0, _ANKLE, ((2, 0.12, 0.035), (3, -0.05, 0.0))),
    ),
    foot_rad=-1.57,
)


@dataclass(frozen=True, slots=True)
class PathTable:
    """What a limb does along its path; rows are places, evenly spread from -`MARGIN` to 1 + `MARGIN` of the range.

    Attributes:
        pull_n: float64, shape (places, muscles): pull at the handle of each muscle at full activity and standstill;
            negative: it pulls back.
        stretch_per_m: float64, same shape: stretch of its fibres, in greatest shortening speeds, per m/s of the handle.
        limb: float64, shape (places, 4): passive pull of all muscles, weight of the limb against the movement (N),
            mass that the handle feels (kg) and its change along the path (kg/m).
    """

    pull_n: FloatArray
    stretch_per_m: FloatArray
    limb: FloatArray

    def __deepcopy__(self, _memo: dict[int, Any]) -> PathTable:
        """Itself: copies of one person share it, for nothing in it ever changes."""
        return self


def _points(muscle: Muscle) -> tuple[list[tuple[int, str]], str]:
    """Sites by segment, and the tendon through them."""
    sites, tendon = [], []
    for k, point in enumerate(muscle.course):
        if len(point) == 3:
            name = f"{muscle.name}_{k}"
            sites.append((int(point[0]), f'<site name="{name}" pos="{point[1]} {point[2]} 0"/>'))
            tendon.append(f'<site site="{name}"/>')
        else:
            joint, side = int(point[0]), "left" if point[1] > 0 else "right"
            tendon.append(f'<geom geom="wrap_{joint}" sidesite="{side}_{joint}"/>')
    return sites, f'<spatial name="{muscle.name}">{"".join(tendon)}</spatial>'


def as_xml(limb: Limb, path: Path) -> str:
    """The limb as a MuJoCo model: hinges j0, j1 (and j2), a tendon and an actuator of the same name for each muscle.

    Args:
        limb: the limb.
        path: only its gravity matters.
    """
    sites: dict[int, list[str]] = {k: [] for k in range(len(limb.lengths_m) + 1)}
    tendons, actuators = [], []
    for muscle in limb.muscles:
        placed, tendon = _points(muscle)
        for segment, site in placed:
            sites[segment].append(site)
        tendons.append(tendon)
        actuators.append(f'<muscle name="{muscle.name}" tendon="{muscle.name}" lengthrange="0.1 0.2"/>')
    chain = f'<site name="end" pos="{limb.lengths_m[1] if limb.foot_rad is None else 0.0} 0 0"/>'
    inner = ""
    for k in reversed(range(len(limb.lengths_m))):
        length, mass, wrap = limb.lengths_m[k], limb.masses_kg[k], limb.wraps_m[k]
        inner = (
            f'<body pos="{limb.lengths_m[k - 1] if k else 0.0} 0 0"><joint name="j{k}" type="hinge" axis="0 0 1"/>'
            f'<inertial pos="{0.45 * length} 0 0" mass="{mass}" '
            f'diaginertia="{mass * 0.002} {mass * 0.08 * length**2} {mass * 0.08 * length**2}"/>'
            f"{''.join(sites[k + 1])}{chain if k == len(limb.lengths_m) - 1 else ''}{inner}</body>"
        )
        # The cylinder belongs to the segment before the joint, so that the muscle's arm does not turn with the joint.
        x = limb.lengths_m[k - 1] if k else 0.0
        sites[k].append(
            f'<geom name="wrap_{k}" type="cylinder" size="{wrap} 0.1" pos="{x} 0 0" mass="0" contype="0" '
            f'conaffinity="0"/><site name="left_{k}" pos="{x} {2 * wrap} 0"/><site name="right_{k}" '
            f'pos="{x} {-2 * wrap} 0"/>'
        )
    gx, gy = (GRAVITY_M_S2 * g for g in path.gravity)
    return (
        f'<mujoco><option gravity="{gx} {gy} 0" timestep="0.0002"/><compiler inertiafromgeom="false"/>'
        f"<worldbody>{''.join(sites[0])}{inner}</worldbody><tendon>{''.join(tendons)}</tendon>"
        f"<actuator>{''.join(actuators)}</actuator></mujoco>"
    )


def posture(limb: Limb, path: Path, share: float) -> FloatArray:
    """Angle of each joint with the handle at a place of its path, rad.

    Args:
        limb: the limb.
        path: of the handle.
        share: place, 0 at the bottom, 1 at the top.

    Raises:
        ValueError: the limb does not reach there.
    """
    first, second = limb.lengths_m[:2]
    x, y = (limb.reach_m * (s + share * path.length * d) for s, d in zip(path.start, path.direction, strict=True))
    bend = (x * x + y * y - first**2 - second**2) / (2.0 * first * second)
    if not -1.0 < bend < 1.0:
        raise ValueError(f"path at {share:g} of the range is {math.hypot(x, y):g} m away; allowed: within reach")
    q1 = math.acos(bend)
    q0 = math.atan2(y, x) - math.atan2(second * math.sin(q1), first + second * math.cos(q1))
    return np.array([q0, q1] if limb.foot_rad is None else [q0, q1, limb.foot_rad - q0 - q1])


def model_of(limb: Limb, path: Path, fastest_per_s: float, plateau: float) -> Any:
    """The MuJoCo model, its muscles stretched over the range of the joints.

    Args:
        limb: the limb.
        path: of the handle.
        fastest_per_s: greatest shortening speed of a muscle, optimal lengths per second.
        plateau: greatest lengthening force over that at standstill.
    """
    model = mujoco.MjModel.from_xml_string(as_xml(limb, path))
    data = mujoco.MjData(model)
    lengths = []
    for corner in np.ndindex(*(7,) * len(limb.ranges_rad)):
        data.qpos[:] = [low + k / 6.0 * (high - low) for k, (low, high) in zip(corner, limb.ranges_rad, strict=True)]
        mujoco.mj_fwdPosition(model, data)
        lengths.append(data.actuator_length.copy())
    model.actuator_lengthrange[:, 0] = np.min(lengths, axis=0)
    model.actuator_lengthrange[:, 1] = np.max(lengths, axis=0)
    for k, muscle in enumerate(limb.muscles):
        for prm in (model.actuator_gainprm, model.actuator_biasprm):
            # Working range 0.6 to 1.2 optimal lengths, bell from 0.4 to 1.7, passive force as by default (ours).
            prm[k, :9] = (0.6, 1.2, muscle.force_n, 0.0, 0.4, 1.7, fastest_per_s, 1.3, plateau)
    return model


def path_table(limb: Limb, path: Path, *, fastest_per_s: float, plateau: float) -> PathTable:
    """What both limbs together do along the path.

    Args:
        limb: one of them.
        path: of the handle.
        fastest_per_s: greatest shortening speed of a muscle, optimal lengths per second.
        plateau: greatest lengthening force over that at standstill.

    Raises:
        ValueError: the limb does not reach its whole path.
    """
    model = model_of(limb, path, fastest_per_s, plateau)
    data = mujoco.MjData(model)
    n = len(limb.muscles)
    pull_n, stretch, of_limb = np.empty((PLACES, n)), np.empty((PLACES, n)), np.empty((PLACES, 4))
    nudge = _NUDGE_M / (path.length * limb.reach_m)
    momentum = np.empty(model.nv)
    for row, share in enumerate(np.linspace(-MARGIN, 1.0 + MARGIN, PLACES)):
        data.qpos[:] = posture(limb, path, float(share))
        turn = (posture(limb, path, share + nudge) - posture(limb, path, share - nudge)) / (2.0 * _NUDGE_M)
        data.qvel[:] = turn
        mujoco.mj_fwdPosition(model, data)
        mujoco.mj_fwdVelocity(model, data)
        mujoco.mj_mulM(model, data, momentum, turn)
        data.qvel[:] = 0.0
        weights = data.actuator_velocity.copy()
        mujoco.mj_fwdVelocity(model, data)
        passive = 0.0
        for k in range(n):
            bounds, gain = model.actuator_lengthrange[k], model.actuator_gainprm[k, :9]
            length = data.actuator_length[k]
            optimal_m = (bounds[1] - bounds[0]) / (gain[1] - gain[0])
            # MuJoCo's gain is negative: muscles pull.
            active = -mujoco.mju_muscleGain(length, 0.0, bounds, model.actuator_acc0[k], gain)
            passive -= -mujoco.mju_muscleBias(length, bounds, model.actuator_acc0[k], gain) * weights[k]
            pull_n[row, k] = -2.0 * active * weights[k]
            stretch[row, k] = weights[k] / (optimal_m * fastest_per_s)
        of_limb[row] = (2.0 * passive, 2.0 * float(data.qfrc_bias @ turn), 2.0 * float(turn @ momentum), 0.0)
    step_m = (1.0 + 2.0 * MARGIN) * path.length * limb.reach_m / (PLACES - 1)
    of_limb[:, 3] = np.gradient(of_limb[:, 2], step_m)
    for table in (pull_n, stretch, of_limb):
        table.flags.writeable = False
    return PathTable(pull_n, stretch, of_limb)
