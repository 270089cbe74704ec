"""Somebody with joints: an arm or a leg with six muscles, two-joint ones among them, each tiring at its own rate.

Geometry, inertia, gravity and muscle lengths come from MuJoCo by way of `bodies.path_table`; here are MuJoCo's
force-velocity curve, the sharing of the load, fatigue, and the limb's motion against the handle. No sticking region is
typed in: where the handle sticks follows from leverage and from which muscle is spent.

Load sharing: activations with the least sum of squares that give the pull wanted, so the muscle with the best leverage
works most (from memory: Crowninshield RD 1978 J Biomech Eng 100:88-92, here with activations). Fatigue of a muscle
after Ma L, Chablat D, Bennis F, Zhang W 2009 Int J Ind Ergon 39:211-220 (from memory): it loses force in proportion to
the force it has and to the force it makes, and gets back a share of what it has lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from ebbset.simulators.lifter.compiled import compiled_apart
from ebbset.simulators.lifter.habits import Habits, draw_habits
from ebbset.simulators.lifter.muscle_lifter import MuscleLifter
from ebbset.simulators.lifter.protocol import IDLE
from ebbset.simulators.structures.bodies import ARM, LEG, MARGIN, Limb, Path, PathTable, path_table
from ebbset.simulators.structures.movements import varied

FloatArray = npt.NDArray[np.float64]

FATIGUE_SCALE: Final = 1.15
"""Moving sets tire faster than the held efforts for which fatigue at a joint was published; set so that people of this
kind do about as many repetitions at 80 % of their 1RM as published charts say (8)."""
FASTEST_PER_S: Final = 2.2
"""Greatest shortening speed in optimal lengths per second. MuJoCo maps the whole stretch of tendon and fibres to the
fibres' working range, so its default is 1.5 and not the 10 of a fibre; set for about the published speed at 70 %."""
HALF_RECOVERY_S: Final = 56.6
"""Half-time of phosphocreatine (Bogdanis et al. 1995 J Physiol 482:467-480); that force follows it is ours."""

_HANDLE_KG: Final = 0.8
"""A lifter isn't told what the handle weighs; only how far the felt mass of the limb differs depends on it a little."""
_UPDATE_S: Final = 0.01
_LEAST_N: Final = 1.0
_MASS, _MASS_CHANGE = 2, 3
"""Columns of `PathTable.limb`."""

# In shares of reach: start, direction, length; then gravity and the cable paid out at the bottom.
_DOWN, _ACROSS = (0.0, -1.0), (0.0, 0.0)
_ARM_PATHS: Final[dict[str, tuple[Path, float]]] = {
    "bench_press": (Path((0.25, 0.18), (0.0, 1.0), 0.64, _DOWN), 0.12),
    "shoulder_press": (Path((0.25, 0.17), (0.0, 1.0), 0.71, _DOWN), 0.15),
    "row": (Path((0.25, 0.86), (0.0, -1.0), 0.69, _ACROSS), 0.15),
    "curl": (Path((0.50, -0.72), (0.2, 0.98), 0.60, _DOWN), 0.20),
    "chest_press": (Path((0.28, 0.20), (0.0, 1.0), 0.58, _ACROSS), 0.25),
    "lat_pulldown": (Path((0.25, 0.88), (0.0, -1.0), 0.70, _DOWN), 0.45),
    "high_row": (Path((0.33, 0.84), (0.0, -1.0), 0.62, _ACROSS), 0.35),
}
_LEG_PATHS: Final[dict[str, tuple[Path, float]]] = {
    "leg_press": (Path((0.46, -0.22), (1.0, 0.0), 0.45, (-0.7, 0.0)), 0.15),
    "hack_squat": (Path((0.42, -0.18), (1.0, 0.0), 0.50, (-1.0, 0.0)), 0.30),
    "short_leg_press": (Path((0.60, -0.22), (1.0, 0.0), 0.30, _ACROSS), 0.20),
}
_PATHS: Final = _ARM_PATHS | _LEG_PATHS
_TRIES: Final = 50


@compiled_apart
def _pulls(
    pull_n: FloatArray, stretch: FloatArray, limb: FloatArray, state: FloatArray, where: float, velocity: float
) -> float:
    """Fill in what each muscle could pull at the handle now; gives what the limb itself pulls besides.

    Args:
        pull_n: float64, shape (places, muscles): fresh, at standstill.
        stretch: same shape: relative speed of lengthening per m/s.
        limb: float64, shape (places, 4).
        state: float64, shape (2, muscles + 1): force left and, written here, pull now; the last column of the first
            row is the lengthening plateau.
        where: place, in rows of the table.
        velocity: of the handle, m/s.
    """
    rows, muscles = pull_n.shape
    at = min(max(where, 0.0), rows - 1.000001)
    k = int(at)
    b = at - k
    a = 1.0 - b
    plateau = state[0, muscles]
    y = plateau - 1.0
    for m in range(muscles):
        fresh = a * pull_n[k, m] + b * pull_n[k + 1, m]
        if fresh <= 0.0:
            state[1, m] = 0.0
            continue
        u = velocity * (a * stretch[k, m] + b * stretch[k + 1, m])
        if u <= -1.0:
            f = 0.0
        elif u <= 0.0:
            f = (u + 1.0) * (u + 1.0)
        elif u <= y:
            f = plateau - (y - u) * (y - u) / y
        else:
            f = plateau
        state[1, m] = state[0, m] * fresh * f
    return float(a * (limb[k, 0] - limb[k, 1]) + b * (limb[k + 1, 0] - limb[k + 1, 1]))


@compiled_apart
def _greatest(
    pull_n: FloatArray, stretch: FloatArray, limb: FloatArray, state: FloatArray, where: float, velocity: float
) -> float:
    """Pull of the limb with all muscles that help fully active, less what the limb itself takes; same arguments."""
    total = _pulls(pull_n, stretch, limb, state, where, velocity)
    for m in range(pull_n.shape[1]):
        total += state[1, m]
    return float(total)


@compiled_apart
def _live(
    pull_n: FloatArray,
    stretch: FloatArray,
    limb: FloatArray,
    state: FloatArray,
    rates: FloatArray,
    now: FloatArray,
) -> None:
    """Share a pull among the muscles, and tire them.

    Args:
        pull_n: as in `_pulls`.
        stretch: as there.
        limb: as there.
        state: as there; the force left is changed.
        rates: float64, shape (2, muscles): fatigue and recovery per s.
        now: float64: place in rows, velocity, effort, duration in s.
    """
    muscles = pull_n.shape[1]
    own = _pulls(pull_n, stretch, limb, state, now[0], now[1])
    most = 0.0
    for m in range(muscles):
        most += state[1, m]
    wanted = min(max(now[2] * max(most + own, 0.0) - own, 0.0), most)
    # Least squares under a sum: each activation is proportional to the muscle's pull, none above 1.
    low, high = 0.0, 1.0
    while high < 1e9:
        given = 0.0
        for m in range(muscles):
            given += min(high * state[1, m], 1.0) * state[1, m]
        if given >= wanted * (1.0 - 1e-9):
            break
        high *= 4.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        given = 0.0
        for m in range(muscles):
            given += min(middle * state[1, m], 1.0) * state[1, m]
        if given < wanted:
            low = middle
        else:
            high = middle
    for m in range(muscles):
        active = min(high * state[1, m], 1.0)
        left = state[0, m]
        change = rates[1, m] * (1.0 - active) * (1.0 - left) - rates[0, m] * active * left * left
        state[0, m] = min(max(left + now[3] * change, 0.0), 1.0)


@compiled_apart
def _weakest(pull_n: FloatArray, limb: FloatArray, state: FloatArray, first: int, last: int) -> float:
    """Pull at standstill at the weakest of the places from ``first`` to ``last``; arguments as in `_pulls`."""
    least = math.inf
    for k in range(first, last + 1):
        total = limb[k, 0] - limb[k, 1]
        for m in range(pull_n.shape[1]):
            if pull_n[k, m] > 0.0:
                total += state[0, m] * pull_n[k, m]
        least = min(least, total)
    return least


class JointedLifter(MuscleLifter):
    """Somebody who moves the handle with an arm or a leg (two of them, alike but for the asymmetry).

    Args:
        exercise: its name.
        table: what the limbs do along the path.
        bottom_m: cable paid out at the bottom.
        rom_m: length of the path.
        habits: how the repetitions are done.
        rng: source of every random number.
        fatigue_per_s: of each muscle: share of its force lost in a second of full activity when fresh.
        recovery_per_s: of each muscle: share of the lost force that comes back in a second at rest.
        plateau: greatest lengthening force over that at standstill, 1.05 to 2.
        asymmetry: (left - right) / (left + right) strength with two cables.

    Raises:
        ValueError: a value out of its range, or limbs too weak to lift themselves somewhere on the path.
    """

    def __init__(
        self,
        exercise: str,
        table: PathTable,
        *,
        bottom_m: float,
        rom_m: float,
        habits: Habits,
        rng: np.random.Generator,
        fatigue_per_s: Sequence[float],
        recovery_per_s: Sequence[float],
        plateau: float = 1.4,
        asymmetry: float = 0.0,
    ) -> None:
        if not 1.05 <= plateau <= 2.0:
            raise ValueError(f"plateau is {plateau!r}; allowed: 1.05 to 2")
        places, muscles = table.pull_n.shape
        self._rows_per_range = (places - 1) / (1.0 + 2.0 * MARGIN)
        self._ends = round(MARGIN * self._rows_per_range), round((1.0 + MARGIN) * self._rows_per_range)
        self._table = table
        self._rates = np.array([fatigue_per_s, recovery_per_s], dtype=np.float64)
        if self._rates.shape != (2, muscles) or not np.all(self._rates >= 0.0):
            raise ValueError(f"fatigue_per_s, recovery_per_s are {self._rates!r}; allowed: {muscles} values each, >= 0")
        self._state = np.ones((2, muscles + 1))
        self._state[0, muscles] = plateau
        self._fresh_n = float(_weakest(table.pull_n, table.limb, self._state, *self._ends))
        if self._fresh_n < _LEAST_N:
            raise ValueError(f"pull at the weakest place is {self._fresh_n:g} N; allowed: at least {_LEAST_N:g}")
        self._left = 1.0
        self._now = np.zeros(4)
        super().__init__(
            exercise,
            bottom_m=bottom_m,
            rom_m=rom_m,
            # The least of it: the rest is reckoned in `step`, which then only ever damps.
            moving_mass_kg=float(np.min(table.limb[:, _MASS])),
            rng=rng,
            habits=habits,
            asymmetry=asymmetry,
        )

    def capacity(self) -> float:
        """Greatest pull now at standstill at the place that is weakest now, share of the fresh one."""
        return self._left

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        """Pull with every muscle that helps fully active, the limb's own weight taken off.

        Args:
            share: place in the range.
            velocity_m_s: of the handle.
        """
        at = self._table
        where = (share + MARGIN) * self._rows_per_range
        return max(_greatest(at.pull_n, at.stretch_per_m, at.limb, self._state, where, velocity_m_s), 0.0)

    def step(
        self, dt_s: float, position_m: Sequence[float], velocity_m_s: Sequence[float], tension_n: Sequence[float]
    ) -> Sequence[float]:
        """Live through the coming step; the mass of the limb felt at the handle changes with the posture.

        Args:
            dt_s: its length.
            position_m: of each handle.
            velocity_m_s: of each handle.
            tension_n: pull of each cable.
        """
        pulls = super().step(dt_s, position_m, velocity_m_s, tension_n)
        if self.phase in IDLE:
            return pulls
        n, limb = len(pulls), self._table.limb
        carried_kg = _HANDLE_KG + self.moving_mass_kg / n
        out = []
        for pull, x, v, tension in zip(pulls, position_m, velocity_m_s, tension_n, strict=True):
            row = round(((x - self.bottom_m) / self.rom_m + MARGIN) * self._rows_per_range)
            inside = 0 <= row < len(limb)
            at = limb[min(max(row, 0), len(limb) - 1)]
            turning_n = 0.5 * float(at[_MASS_CHANGE]) * v * v / n if inside else 0.0
            ratio = carried_kg / (_HANDLE_KG + float(at[_MASS]) / n)
            out.append(tension + (pull - turning_n - tension) * ratio)
        return out

    def tire(self, dt_s: float, effort: float, share: float, velocity_m_s: float) -> None:
        """Work for a step; the load is shared and fatigue reckoned every hundredth of a second.

        Args:
            dt_s: length of the step.
            effort: share of the greatest pull.
            share: place in the range.
            velocity_m_s: of the handle.
        """
        now = self._now
        now[2] += effort * dt_s
        now[3] += dt_s
        if now[3] >= _UPDATE_S:
            now[0], now[1], now[2] = (share + MARGIN) * self._rows_per_range, velocity_m_s, now[2] / now[3]
            at = self._table
            _live(at.pull_n, at.stretch_per_m, at.limb, self._state, self._rates, now)
            self._take_stock()

    def rest(self, duration_s: float) -> None:
        """Recover with every muscle at rest.

        Args:
            duration_s: for so long.
        """
        left = self._state[0, :-1]
        left[:] = 1.0 - (1.0 - left) * np.exp(-self._rates[1] * duration_s)
        self._take_stock()

    def at_full_effort(self) -> Self:
        """A rested copy that holds nothing back."""
        other = super().at_full_effort()
        other.rest(math.inf)
        return other

    def _take_stock(self) -> None:
        self._now[2:] = 0.0
        least_n = float(_weakest(self._table.pull_n, self._table.limb, self._state, *self._ends))
        self._left = min(max(least_n / self._fresh_n, 0.0), 1.0)


def _grown(limb: Limb, size: float, strength: float, rng: np.random.Generator) -> Limb:
    """The same limb of another person: longer or shorter, stronger or weaker as a whole and muscle by muscle."""
    muscles = tuple(
        replace(
            muscle,
            force_n=muscle.force_n * strength * varied(rng, 0.15),
            course=tuple((p[0], size * p[1], size * p[2]) if len(p) == 3 else p for p in muscle.course),
        )
        for muscle in limb.muscles
    )
    return replace(
        limb,
        lengths_m=tuple(size * length for length in limb.lengths_m),
        masses_kg=tuple(size**3 * mass for mass in limb.masses_kg),
        wraps_m=tuple(size * wrap for wrap in limb.wraps_m),
        muscles=muscles,
    )


def _shifted(path: Path, rng: np.random.Generator) -> Path:
    """The same movement, done with the machine set a little differently."""
    x, y = (s + float(rng.uniform(-0.03, 0.03)) for s in path.start)
    return replace(path, start=(x, y), length=path.length * float(rng.uniform(0.88, 1.03)))


def draw(exercise: str | None, rng: np.random.Generator) -> JointedLifter:
    """One person of this structure; arm or leg is left to the exercise.

    Args:
        exercise: what to do; None leaves it to chance, and a name that nobody here knows goes with any movement.
        rng: source of every random number.
    """
    paths = _ARM_PATHS if rng.random() < 0.5 else _LEG_PATHS
    kind = exercise if exercise in _PATHS else str(rng.choice(tuple(paths)))
    usual, bottom_m = _PATHS[kind]
    whole = ARM if kind in _ARM_PATHS else LEG
    plateau = float(np.clip(1.41 + 0.1 * rng.standard_normal(), 1.15, 1.8))
    for _ in range(_TRIES):
        limb = _grown(whole, varied(rng, 0.05), varied(rng, 0.28), rng)
        path = _shifted(usual, rng)
        try:
            table = path_table(limb, path, fastest_per_s=FASTEST_PER_S * varied(rng, 0.15), plateau=plateau)
            return JointedLifter(
                exercise or kind,
                table,
                bottom_m=bottom_m * float(rng.uniform(0.8, 1.3)),
                rom_m=path.length * limb.reach_m,
                habits=draw_habits(rng),
                rng=rng,
                fatigue_per_s=[FATIGUE_SCALE * m.fatigue_per_s * varied(rng, 0.2) for m in limb.muscles],
                recovery_per_s=[math.log(2.0) / HALF_RECOVERY_S * varied(rng, 0.2) for _ in limb.muscles],
                plateau=plateau,
                asymmetry=float(np.clip(0.04 * rng.standard_normal(), -0.15, 0.15)),
            )
        except ValueError:
            # A machine set so that this limb cannot reach, or too weak for its own weight: nobody trains like that.
            continue
    raise ValueError(f"exercise is {exercise!r}; allowed: one that somebody can be drawn for in {_TRIES} tries")
