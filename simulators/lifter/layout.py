"""The layout of the flat vectors of the compiled loop.

The loop works on plain float64 arrays because that is what compiles to fast code. They are accessed only through
these names: ``P_*`` parameters of one plant, ``C_*`` one row per cable, ``G_*`` state of the lifter as a whole,
``R_*`` columns of the repetition records.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final


class Phase(IntEnum):
    """What the lifter is doing; the value is what the compiled loop stores."""

    REST = 0
    PICKING_UP = 1
    BOTTOM = 2
    CONCENTRIC = 3
    TOP = 4
    ECCENTRIC = 5
    FAILED = 6
    RELEASED = 7
    TALKING = 8
    PUTTING_DOWN = 9
    EXTERNAL = 10


class Hand(IntEnum):
    """Who pulls at the handle: nobody, the lifter's reflexes towards a target, or a force given from outside.

    EXTERNAL pulls at the bare handle, HELD moves the limbs with it.
    """

    OFF = 0
    SERVO = 1
    EXTERNAL = 2
    HELD = 3


# --- parameters: rig
P_MOTOR_RATE: Final = 0
P_MAX_LOAD: Final = 1
P_MAX_RAMP: Final = 2
P_INERTIA: Final = 3
P_COULOMB: Final = 4
P_VISCOUS: Final = 5
P_STIFFNESS: Final = 6
P_DAMPING: Final = 7
P_HANDLE: Final = 8
P_DT: Final = 9
# --- parameters: muscle and movement
P_LIMB: Final = 10
P_VMAX: Final = 11
P_CURVATURE: Final = 12
P_ECCENTRIC: Final = 13
P_BOTTOM: Final = 14
P_TOP: Final = 15
P_DIP: Final = 16
P_DIP_AT: Final = 17
P_DIP_WIDTH: Final = 18
P_SCALE: Final = 19
P_START: Final = 20
P_ROM: Final = 21
P_MODEL: Final = 22
P_FATIGUE_A: Final = 23
P_FATIGUE_B: Final = 24
P_FATIGUE_C: Final = 25
P_DEVELOP: Final = 26
P_RELAX: Final = 27
# --- parameters: behaviour
P_V_CONCENTRIC: Final = 28
P_BRAKING: Final = 29
P_V_ECCENTRIC: Final = 30
P_V_MOVE: Final = 31
P_PAUSE_BOTTOM: Final = 32
P_PAUSE_TOP: Final = 33
P_PAUSE_GROWTH: Final = 34
P_VARIATION: Final = 35
P_V_GRIND: Final = 36
P_PATIENCE: Final = 37
P_RELEASES: Final = 38
P_PARTIAL: Final = 39
P_JERK: Final = 40
P_TALK_AFTER: Final = 41
P_TALK_S: Final = 42
P_RESERVE: Final = 43
P_RETRY_RATIO: Final = 44
P_RETRY_WAIT: Final = 45
P_REACTION: Final = 46
P_NOISE: Final = 47
P_NOISE_REP: Final = 48
P_LEVERAGE: Final = 49
P_SLOW_SHARE: Final = 50
P_SLOW_RATE: Final = 51
P_PEAK_POWER: Final = 52
P_COST: Final = 53
P_RETRIES: Final = 54
# --- parameters: rig, limits under load and at speed
P_COULOMB_SHARE: Final = 55
P_POWER: Final = 56
P_NO_LOAD: Final = 57
# --- parameters: what varies from repetition to repetition
P_DEPTH_SD: Final = 58
P_RANGE_CV: Final = 59
# --- parameters: start of an ascent, and fatigue
P_BOOST: Final = 60
P_BOOST_S: Final = 61
P_TILT: Final = 62
P_WEAKEST: Final = 63
P_FAST_SHARE: Final = 64
P_FAST_RATE: Final = 65
P_STRAIN: Final = 66
# --- parameters: rig, friction under load
P_LOAD_KNEE: Final = 67
# --- parameters: how hard the lifter pushes what is light
P_PUSH: Final = 68
P_SIZE: Final = 69

# --- one row per cable: state that is integrated ...
C_X: Final = 0
C_V: Final = 1
C_Y: Final = 2
C_W: Final = 3
C_MOTOR: Final = 4
C_ACTIVE: Final = 5
C_FATIGUED: Final = 6
C_ANTAGONIST: Final = 7
C_FELT: Final = 8
C_SLOW: Final = 9
C_FAST: Final = 10
# ... and what is held between behaviour decisions
C_COMMAND: Final = 11
C_TARGET: Final = 12
C_F0: Final = 13
C_HAND: Final = 14
C_GOAL: Final = 15
C_V_LIMIT: Final = 16
C_GAIN: Final = 17
C_EXTERNAL: Final = 18
C_SIZE: Final = 19

# --- the lifter as a whole
G_STEP: Final = 0
G_PHASE: Final = 1
G_PHASE_STEP: Final = 2
G_RAMP: Final = 3
G_GRIND: Final = 4
G_LOAD_REF: Final = 5
G_FELT_SLOW: Final = 6
G_SETTLED: Final = 7
G_UNLOADED: Final = 8
G_REPS: Final = 9
G_RECORDS: Final = 10
G_MOVING: Final = 11
G_REP_T: Final = 12
G_REP_X: Final = 13
G_PROP_T: Final = 14
G_PROP_X: Final = 15
G_PEAK_V: Final = 16
G_MIN_V: Final = 17
G_MIN_S: Final = 18
G_LAST_V: Final = 19
G_NOISE: Final = 20
G_REP_GAIN: Final = 21
G_JERK_PHASE: Final = 22
G_PAUSE: Final = 23
G_V_ECC: Final = 24
G_TOP_GOAL: Final = 25
G_DONE: Final = 26
G_TALKED: Final = 27
G_REP_LOAD: Final = 28
G_ATTEMPTS: Final = 29
G_RETRIES: Final = 30
G_BOTTOM: Final = 31
G_SIZE: Final = 32

# --- repetition records
R_START: Final = 0
R_END: Final = 1
R_X_START: Final = 2
R_X_END: Final = 3
R_MEAN_V: Final = 4
R_PROP_V: Final = 5
R_PEAK_V: Final = 6
R_MIN_V: Final = 7
R_MIN_S: Final = 8
R_COMPLETED: Final = 9
R_LOAD: Final = 10
R_CAPACITY: Final = 11
R_SIZE: Final = 12
MAX_RECORDS: Final = 256

POSITION_GAIN_PER_S: Final = 15.0
"""How hard the lifter closes in on a position; sets where braking ends and creeping up begins."""
VELOCITY_GAIN_S_M: Final = 2.0
"""Activation per m/s of speed error in the lifter's reflex loop."""
FELT_RATE_PER_S: Final = 4.0
"""The lifter feels the load through a lag of 0.25 s: reflexes correct speed at once, planned force follows (ours)."""
ANTAGONIST_SHARE: Final = 0.4
"""Antagonists give at most this share of the prime movers' force (from memory, order of magnitude)."""
JOINT_LIMIT_N_M: Final = 2.0e4
JOINT_LIMIT_N_S_M: Final = 200.0
JOINT_LIMIT_MARGIN_M: Final = 0.02
DOCK_N_M: Final = 1.5e5
DOCK_N_S_M: Final = 300.0
CRADLE_M: Final = 0.005
CRADLE_M_S: Final = 0.05
TAKE_UP_N: Final = 3.0
FRICTION_KNEE_M_S: Final = 0.01
"""Below this speed Coulomb friction is smoothed, w / sqrt(w^2 + knee^2); the rig creeps there instead of sticking."""
LOAD_FRICTION_KNEE_M_S: Final = 0.03
"""The same for the part that grows with the load, at most loads; heavier ones widen it further, so that the step can
follow (`ebbset.simulators.plant.plant_state.load_knee_m_s_per_n`)."""
