"""Families of sets that are hard to judge, each drawn from a random generator; the spreads are ours, wide on purpose.

What lives here: which lifters, rigs and prescriptions there are. What never does: driving or judging them.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final, Literal

import numpy as np

from campaigns.adversary.lifter import PlannedRepetition, Script
from campaigns.adversary.rig import Case, RigSetup
from ebbset.models.contract.prescription import Prescription, StallSection
from ebbset.models.contract.profile import LifterProfile, Uncertain

LONGEST_FRAME_S: Final = 0.1
RATES_HZ: Final = (20.0, 50.0, 100.0, 100.0, 200.0, 500.0, 1_000.0)
SLOWEST_HZ: Final = 20.0
FASTEST_HZ: Final = 1_000.0
FEWEST: Final = 5
MOST: Final = 8


class Draw:
    """What every family starts from, drawn once for each set; each family then changes what is special about it.

    Args:
        rng: of everything that is drawn.
        rom_m: bounds of the range of motion.
        variation: largest standard deviation of ROM, as a part of it.
        bottoms_m: largest spread of bottoms, from the highest to the lowest.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        rom_m: tuple[float, float] = (0.25, 0.65),
        variation: float = 0.02,
        bottoms_m: float = 0.008,
    ) -> None:
        self.rng = rng
        self.rom_m = self.between(*rom_m)
        self.rom_sd = self.between(0.0, variation)
        self.bottoms_m = self.between(0.0, bottoms_m)
        self.start_n = self.between(120.0, 600.0)
        self.velocity_m_s = min(0.9, max(0.15, self.rom_m / self.between(0.55, 1.2)))
        self.repetitions = int(rng.integers(FEWEST, MOST + 1))

    def between(self, low: float, high: float) -> float:
        """A number between two others."""
        return float(self.rng.uniform(low, high))

    def chance(self, part: float) -> bool:
        """True this often."""
        return bool(self.rng.random() < part)

    def repetition(self, number: int, **changes: Any) -> PlannedRepetition:
        """One healthy repetition, a little slower than the one before."""
        off = min(2.0, max(-2.0, float(self.rng.standard_normal())))
        base: dict[str, Any] = {
            "rom_m": self.rom_m * (1.0 + self.rom_sd * off),
            "bottom_m": self.between(-0.5, 0.5) * self.bottoms_m,
            "velocity_m_s": max(0.12, self.velocity_m_s * (1.0 - 0.03 * number)),
            "eccentric_m_s": max(0.12, self.velocity_m_s * self.between(0.5, 1.1)),
            "bottom_s": self.between(0.1, 0.8),
            "top_s": self.between(0.1, 0.7),
        }
        return PlannedRepetition(**{**base, **changes})

    def failing(self, number: int, *, sticks_at: float, capacity: float, **changes: Any) -> PlannedRepetition:
        """A repetition that is completed only below this fraction of the first load."""
        slow = max(0.15, self.velocity_m_s * self.between(0.45, 0.8))
        base: dict[str, Any] = {
            "velocity_m_s": slow,
            "capacity_n": capacity * self.start_n,
            "sticks_at": sticks_at,
            "approach_per_s": self.between(3.0, 9.0),
        }
        return self.repetition(number, **{**base, **changes})

    def failing_set(self, first: int, *, sticks_at: tuple[float, float]) -> list[PlannedRepetition]:
        """Healthy repetitions before number ``first``, and ever less strength from there on."""
        plans = [self.repetition(number) for number in range(first)]
        capacity = self.between(0.62, 0.94)
        for number in range(first, first + 4):
            plans.append(self.failing(number, sticks_at=self.between(*sticks_at), capacity=capacity))
            capacity *= self.between(0.85, 0.97)
        return plans

    def rig(self, **changes: Any) -> RigSetup:
        """A rig of any rate, with frames that are short enough."""
        if self.chance(0.4):
            rate_hz = float(self.rng.choice(RATES_HZ))
        else:
            rate_hz = SLOWEST_HZ * (FASTEST_HZ / SLOWEST_HZ) ** float(self.rng.random())
        most = max(1, int(rate_hz * LONGEST_FRAME_S))
        base: dict[str, Any] = {
            "rate_hz": rate_hz,
            "frame_samples": int(self.rng.integers(1 + most // 5, most + 1)),
            "position_noise_m": self.between(0.0, 0.0006),
            "velocity_noise_m_s": self.between(0.0, 0.015),
            "has_velocity": self.chance(0.85),
            "has_force": self.chance(0.7),
        }
        return RigSetup(**{**base, **changes})

    def prescription(
        self, wanted: int, *, ramp_n_per_s: float | None = None, cables: Literal["coupled", "independent"] = "coupled"
    ) -> Prescription:
        """An auto-drop set; half of them end at the number of repetitions that the lifter means to do."""
        ramp = self.between(150.0, 600.0) if ramp_n_per_s is None else ramp_n_per_s
        return Prescription.model_validate(
            {
                "name": "Adversary",
                "exercise": "row",
                "load": {
                    "start_n": round(self.start_n, 1),
                    "floor_n": round(0.3 * self.start_n, 1),
                    "ramp_n_per_s": round(ramp, 1),
                    "cables": cables,
                },
                "stall": {"rule": "dwell" if self.chance(0.35) else StallSection().rule},
                "drop": {"policy": "fixed_fraction", "parameters": {"fraction": round(self.between(0.12, 0.3), 3)}},
                "stop": {"max_repetitions": wanted if self.chance(0.5) else None},
            }
        )

    def profile(self) -> LifterProfile:
        """A profile that fits the lifter about as well as profiles do."""
        zero = self.between(1.1, 2.0)
        return LifterProfile(
            lifter="invented",
            exercise="row",
            date=datetime.date(2026, 1, 1),
            one_rm_n=Uncertain(mean=1.25 * self.start_n, sd=0.06 * self.start_n),
            velocity_at_zero_m_s=Uncertain(mean=zero, sd=0.1),
            velocity_at_1rm_m_s=Uncertain(mean=self.between(0.15, 0.3), sd=0.05),
            rom_m=Uncertain(mean=self.rom_m * self.between(0.96, 1.04), sd=0.02),
        )

    def case(
        self,
        family: str,
        variant: str,
        plans: list[PlannedRepetition],
        *,
        healthy: bool,
        profile: bool,
        rig: RigSetup | None = None,
        prescription: Prescription | None = None,
        **script: Any,
    ) -> Case:
        """Put a set together.

        Args:
            family: its family.
            variant: what kind of set it is there.
            plans: its repetitions.
            healthy: nobody is meant to fail.
            profile: the controller is given a profile.
            rig: drawn when ``None``.
            prescription: drawn when ``None``.
            script: fields of `Script` that are not as drawn.
        """
        base: dict[str, Any] = {
            "repetitions": tuple(plans),
            "take_up_m": self.between(0.05, min(0.3, 0.5 * self.rom_m)),
            "take_up_s": self.between(0.3, 1.2),
            "fight_s": self.between(2.5, 4.0),
            "sway_m": self.between(0.0, 0.002),
            "sway_hz": self.between(0.3, 1.0),
        }
        return Case(
            family=family,
            variant=f"{variant}, {'profile' if profile else 'no profile'}",
            healthy=healthy,
            script=Script(**{**base, **script}),
            rig=rig or self.rig(),
            prescription=prescription or self.prescription(len(plans)),
            profile=self.profile() if profile else None,
        )


def _height(share: float) -> str:
    return "stuck under 0.5 ROM" if share < 0.5 else "stuck at 0.5 to 0.85 ROM" if share < 0.85 else "stuck above 0.85"


def first_ascent(rng: np.random.Generator) -> Case:
    """The first ascent fails somewhere between 30 and 95 % of the range, no profile."""
    draw = Draw(rng, rom_m=(0.15, 0.65))
    share = draw.between(0.30, 0.94)
    plans = draw.failing_set(0, sticks_at=(0.3, 0.7))
    plans[0] = replace(plans[0], sticks_at=share)
    return draw.case("first_ascent", _height(share), plans, healthy=False, profile=False)


def out_of_dock(rng: np.random.Generator) -> Case:
    """The dock is the bottom: the first ascent sticks on its way, or only pauses; or the lifter lowers slowly."""
    draw = Draw(rng, rom_m=(0.25, 0.65))
    profile = draw.chance(0.5)
    way: dict[str, Any] = {"take_up_m": 0.0, "from_dock": True}
    kind = int(rng.integers(0, 3))
    if kind == 0:
        share = draw.between(0.15, 0.9)
        plans = draw.failing_set(0, sticks_at=(0.3, 0.7))
        plans[0] = replace(plans[0], sticks_at=share)
        return draw.case("out_of_dock", _height(share), plans, healthy=False, profile=profile, **way)
    plans = [draw.repetition(number) for number in range(draw.repetitions)]
    plans[0] = replace(plans[0], pause_at=draw.between(0.1, 0.6), pause_s=draw.between(0.15, 0.3))
    if kind == 2:
        slow = draw.between(0.08, 0.2)
        plans = [replace(plan, eccentric_m_s=slow) for plan in plans]
    variant = "a pause of 0.2 s" if kind == 1 else "a pause of 0.2 s, slow eccentrics"
    return draw.case("out_of_dock", variant, plans, healthy=True, profile=profile, **way)


def take_up(rng: np.random.Generator) -> Case:
    """A long way from the dock to where ascents begin: 0.5 to 1.2 m, or 0.85 to 2 times the range of motion."""
    draw = Draw(rng, rom_m=(0.2, 0.65))
    long_m = draw.between(0.5, 1.2) if draw.chance(0.5) else draw.rom_m * draw.between(0.85, 2.0)
    long_m = min(1.3, long_m)
    parts = "under 0.85 ROM" if long_m < 0.85 * draw.rom_m else "0.85 ROM and more"
    profile = draw.chance(0.5)
    way: dict[str, Any] = {"take_up_m": long_m, "take_up_m_s": draw.between(0.25, 0.6)}
    if draw.chance(0.5):
        plans = [draw.repetition(number) for number in range(draw.repetitions)]
        return draw.case("take_up", f"healthy, {parts}", plans, healthy=True, profile=profile, **way)
    plans = draw.failing_set(int(rng.integers(0, 4)), sticks_at=(0.2, 0.8))
    return draw.case("take_up", f"fails, {parts}", plans, healthy=False, profile=profile, **way)


def short_rom(rng: np.random.Generator) -> Case:
    """Calf raises and wrist work: a range of 0.10 to 0.20 m, no profile."""
    draw = Draw(rng, rom_m=(0.10, 0.20), bottoms_m=0.004)
    if draw.chance(0.5):
        plans = [draw.repetition(number) for number in range(draw.repetitions)]
        return draw.case("short_rom", "healthy", plans, healthy=True, profile=False)
    plans = draw.failing_set(int(rng.integers(0, 4)), sticks_at=(0.2, 0.7))
    return draw.case("short_rom", "fails", plans, healthy=False, profile=False)


def healthy(rng: np.random.Generator) -> Case:
    """Nobody fails: a short repetition with a rest at the top, bottoms that vary, sway, ROM that varies."""
    kind = int(rng.integers(0, 4))
    draw = Draw(rng, variation=0.05 if kind in (2, 3) else 0.01, bottoms_m=0.02 if kind in (1, 3) else 0.004)
    if kind == 3:
        draw.rom_sd = draw.between(0.03, 0.05)
    plans = [draw.repetition(number) for number in range(draw.repetitions)]
    sway_m = draw.between(0.001, 0.004) if kind in (1, 3) else draw.between(0.0, 0.002)
    at = int(rng.integers(1, len(plans)))
    variant = ("5 % short, 1 s at the top", "one bottom deeper, sway", "ROM varies", "ROM varies by 3 to 5 %, sway")[
        kind
    ]
    if kind == 0:
        plans[at] = replace(plans[at], rom_m=draw.rom_m * draw.between(0.93, 0.96), top_s=draw.between(0.8, 1.2))
    elif kind == 1:
        plans[at] = replace(plans[at], bottom_m=-draw.between(0.008, 0.02), bottom_s=draw.between(0.4, 1.0))
    return draw.case("healthy", variant, plans, healthy=True, profile=draw.chance(0.5), sway_m=sway_m)


def two_cables(rng: np.random.Generator) -> Case:
    """Two handles, one later and shorter than the other; attempts that are given up at once; slow ramps."""
    draw = Draw(rng)
    cables: Literal["coupled", "independent"] = "coupled" if draw.chance(0.7) else "independent"
    slow_ramp = draw.chance(0.5)
    ramp = draw.between(20.0, 70.0) if slow_ramp else None
    rig = draw.rig(cables=2, lag_s=draw.between(0.0, 0.25), side_rom=draw.between(0.88, 1.0))
    profile = draw.chance(0.5)
    how = f"{cables}, {'slow ramp' if slow_ramp else 'usual ramp'}"
    if draw.chance(0.3):
        plans = [draw.repetition(number) for number in range(draw.repetitions)]
        order = draw.prescription(len(plans), ramp_n_per_s=ramp, cables=cables)
        return draw.case(
            "two_cables", f"healthy, {how}", plans, healthy=True, profile=profile, rig=rig, prescription=order
        )
    plans = draw.failing_set(int(rng.integers(1, 4)), sticks_at=(0.3, 0.75))
    turns = draw.chance(0.6)
    order = draw.prescription(len(plans), ramp_n_per_s=ramp, cables=cables)
    fight_s = draw.between(0.05, 0.4) if turns else draw.between(2.5, 4.0)
    variant = f"{'turns back' if turns else 'stuck'}, {how}"
    return draw.case(
        "two_cables",
        variant,
        plans,
        healthy=False,
        profile=profile,
        rig=rig,
        prescription=order,
        fight_s=fight_s,
        tries=6,
    )


def tempo(rng: np.random.Generator) -> Case:
    """Slow on purpose, or held on purpose half-way; nobody fails."""
    draw = Draw(rng, rom_m=(0.3, 0.65))
    order = draw.prescription(draw.repetitions)
    plans = [draw.repetition(number) for number in range(draw.repetitions)]
    if draw.chance(0.5):
        slow = draw.between(0.1, 0.22)
        plans = [replace(plan, velocity_m_s=slow, eccentric_m_s=draw.between(0.12, 0.3)) for plan in plans]
        variant = "slow ascents"
    else:
        # a pause as long as the prescribed dwell is a stall by the prescription's own words
        longest_s = 0.25 if order.stall.rule == "dwell" else 0.8
        at, pause_s = draw.between(0.25, 0.7), draw.between(0.15, longest_s)
        plans = [replace(plan, pause_at=at, pause_s=pause_s) for plan in plans]
        variant = f"held half-way, rule {order.stall.rule}"
    return draw.case("tempo", variant, plans, healthy=True, profile=draw.chance(0.5), prescription=order)


def smooth_start(rng: np.random.Generator) -> Case:
    """A first repetition that is slow and smooth and rests at its top; nobody fails."""
    draw = Draw(rng)
    plans = [draw.repetition(number) for number in range(draw.repetitions)]
    slow_m_s = draw.rom_m / draw.between(1.5, 5.0)
    smooth = int(rng.integers(1, len(plans)))
    for number in range(smooth):
        plans[number] = replace(
            plans[number],
            velocity_m_s=slow_m_s,
            eccentric_m_s=max(0.12, slow_m_s),
            smooth=True,
            top_s=draw.between(0.3, 3.0),
        )
    lasts = "under 3 s" if draw.rom_m / slow_m_s < 3.0 else "3 to 5 s"
    return draw.case("smooth_start", f"ascent of {lasts}", plans, healthy=True, profile=draw.chance(0.3))


def gentle_take_up(rng: np.random.Generator) -> Case:
    """A take-up that is slow and smooth, and a rest of up to 4 s before the first ascent; nobody fails."""
    draw = Draw(rng)
    plans = [draw.repetition(number) for number in range(draw.repetitions)]
    long_m = draw.between(0.1, 0.7)
    lasts_s = draw.between(1.0, 4.0)
    rest_s = draw.between(0.5, 4.0)
    way: dict[str, Any] = {
        "take_up_m": long_m,
        "take_up_m_s": long_m / lasts_s,
        "take_up_s": rest_s,
        "take_up_smooth": True,
        "sway_m": draw.between(0.0, 0.004),
    }
    variant = f"rest {'under' if rest_s < 2.0 else 'over'} 2 s"
    return draw.case("gentle_take_up", variant, plans, healthy=True, profile=draw.chance(0.3), **way)


def everything(rng: np.random.Generator) -> Case:
    """The whole range at once: ROM 0.15 to 0.65 m, take-up 0 to 1.2 m, ROM and bottoms that vary, any first failure."""
    draw = Draw(rng, rom_m=(0.15, 0.65), variation=0.05, bottoms_m=0.02)
    profile = draw.chance(0.5)
    way: dict[str, Any] = {"take_up_m": draw.between(0.02, 1.2), "sway_m": draw.between(0.0, 0.003)}
    if draw.chance(0.5):
        plans = [draw.repetition(number) for number in range(draw.repetitions)]
        return draw.case("everything", "healthy", plans, healthy=True, profile=profile, **way)
    first = int(rng.integers(0, 5))
    plans = draw.failing_set(first, sticks_at=(0.2, 0.9))
    variant = "the first fails" if first == 0 else "a later one fails"
    return draw.case("everything", variant, plans, healthy=False, profile=profile, **way)


FAMILIES: Final[Mapping[str, Callable[[np.random.Generator], Case]]] = {
    "first_ascent": first_ascent,
    "out_of_dock": out_of_dock,
    "take_up": take_up,
    "short_rom": short_rom,
    "healthy": healthy,
    "two_cables": two_cables,
    "tempo": tempo,
    "everything": everything,
    "smooth_start": smooth_start,
    "gentle_take_up": gentle_take_up,
}
