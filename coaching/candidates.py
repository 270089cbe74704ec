"""Candidates for a plan: the ways in which a lifter could spend the minutes available, each a complete prescription.

A candidate can be served as it is. Nothing is simulated or judged here; that is the business of `plan`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from ebbset.coaching.sessions.set_time import SET_S, unloading_s
from ebbset.controller.estimation.profile_velocity import velocity_at_one_rm
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.prescription import LoadSection, Prescription
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.units import LoadUnit
from ebbset.simulators.plant.rig_parameters import RigParameters

START_SHARE: Final = 0.75
FLOOR_SHARE: Final = 0.35
"""Start and floor load as shares of the 1RM. The start allows about ten repetitions; the floor is about where published
drop-set protocols end (80 down to 30 %: Ozaki et al. 2018 J Sports Sci 36:691-696)."""
MOST_SHARE: Final = 0.85
"""The start load never exceeds this share of the low end of the 1RM's 80 % interval. Our judgement, for vague
profiles."""
LONG_REST_S: Final = 120.0
SHORT_REST_S: Final = 60.0
PAUSE_REST_S: Final = 20.0
BETWEEN_SETS_S: Final = 180.0
DROP_SET_S: Final = 150.0
"""Time limit of a drop set; common practice, no source."""
_MOST_SETS: Final = 10
_MOST_PAUSES: Final = 5
_AUTO_DROP: Final[dict[str, Any]] = {"policy": "repetitions_wanted", "parameters": {"repetitions": 3}}
_FIFTH_DROP: Final[dict[str, Any]] = {"policy": "fixed_fraction", "parameters": {"fraction": 0.2}}


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to spend the minutes.

    Attributes:
        key: short name, used to choose it.
        title: description that a coach would use; without commas, since it stands in lists.
        prescription: one set, ready to be served.
        sets: how many times the set is done.
        rest_between_s: rest between these sets, s.
    """

    key: str
    title: str
    prescription: Prescription
    sets: int = 1
    rest_between_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the plan must fit into.

    Attributes:
        minutes: time available, min.
        fatigue_left: largest loss of capacity allowed at the end, 0 to 1; None for no limit.
        exceeding: share of the twins that may lose more than that.
        later_sets: straight sets for the same muscles that follow later in the session.
        later_break_s: break before those sets, s.
    """

    minutes: float
    fatigue_left: float | None = None
    later_sets: int = 0
    later_break_s: float = 180.0
    exceeding: float = 0.2

    def __post_init__(self) -> None:
        if not 0.5 <= self.minutes <= 60.0:
            raise ValueError(f"minutes is {self.minutes!r}; allowed: 0.5 to 60")
        if self.fatigue_left is not None and not 0.02 <= self.fatigue_left < 1.0:
            raise ValueError(f"fatigue_left is {self.fatigue_left!r}; allowed: 0.02 to below 1")
        if not 0.0 <= self.exceeding < 1.0:
            raise ValueError(f"exceeding is {self.exceeding!r}; allowed: 0 to below 1")
        if not 0 <= self.later_sets <= 20:
            raise ValueError(f"later_sets is {self.later_sets!r}; allowed: 0 to 20")
        if not 0.0 <= self.later_break_s <= 7_200.0:
            raise ValueError(f"later_break_s is {self.later_break_s!r}; allowed: 0 to 7200")


@dataclass(frozen=True, slots=True)
class _Template:
    """What all candidates of one plan share; loads in newtons per cable."""

    exercise: str
    units: LoadUnit
    start_n: float
    floor_n: float
    stall_velocity_m_s: float
    seconds: float
    fatigue_left: float | None

    @property
    def limit_s(self) -> float:
        """Time limit of a set that must be over, unloaded, within the minutes."""
        return self.limit_within_s(self.seconds)

    def limit_within_s(self, available_s: float) -> float:
        """Time limit of a set that must be over, unloaded, within the time available, both in seconds."""
        ramp_n_per_s = LoadSection.model_fields["ramp_n_per_s"].default
        return float(round(available_s - unloading_s(self.start_n, ramp_n_per_s), 1))

    def prescription(
        self, title: str, bouts: list[dict[str, Any]], drop: dict[str, Any] = _FIFTH_DROP, **stop: Any
    ) -> Prescription:
        """A prescription with these bouts, this drop policy and these stop rules."""
        return Prescription.model_validate(
            {
                "name": title,
                "exercise": self.exercise,
                "units": self.units,
                "load": {"start_n": round(self.start_n, 1), "floor_n": round(self.floor_n, 1)},
                "stall": {"velocity_m_s": self.stall_velocity_m_s},
                "drop": drop,
                "budget": {} if self.fatigue_left is None else {"capacity_loss": self.fatigue_left},
                "stop": {"max_duration_s": self.limit_s, **stop},
                "bouts": bouts,
            }
        )

    def sets_that_fit(self, rest_s: float) -> int:
        """How many straight sets fit into the minutes with this rest between them, one at least."""
        return int(min(max((self.seconds + rest_s) // (SET_S + rest_s), 1), _MOST_SETS))


def candidates(
    profile: LifterProfile, wishes: Wishes, rig: RigParameters, *, units: LoadUnit = "kg"
) -> list[Candidate]:
    """The candidates for a lifter and the minutes available.

    Args:
        profile: the lifter; loads are shares of its 1RM.
        wishes: the minutes available, and the greatest loss of capacity, which becomes the budget of every candidate.
        rig: the rig; its greatest load limits the start load.
        units: unit in which the prescriptions show their loads.

    Raises:
        ValueError: the profile has no 1RM, or a prescription cannot hold these loads.
    """
    if profile.one_rm_n is None:
        raise ValueError("profile.one_rm_n is missing; allowed: a 1RM, from `ebbset profile`")
    start_n = _start_n(profile.one_rm_n, rig)
    v1 = velocity_at_one_rm(profile)
    template = _Template(
        exercise=profile.exercise,
        units=units,
        start_n=start_n,
        floor_n=FLOOR_SHARE / START_SHARE * start_n,
        stall_velocity_m_s=round(min(0.05, max(0.02, v1.mean - 2.0 * v1.sd)), 3),
        seconds=60.0 * wishes.minutes,
        fatigue_left=wishes.fatigue_left,
    )
    return [*_single_sets(template), *_straight_sets(template), *_repeated_sets(template)]


def _start_n(strength: Uncertain, rig: RigParameters) -> float:
    prudent_n = MOST_SHARE * max(strength.mean - Z_INTERVAL * strength.sd, 0.3 * strength.mean)
    return min(START_SHARE * strength.mean, prudent_n, rig.max_load_n)


def _auto_drop_set(template: _Template, limit_s: float) -> Prescription:
    return template.prescription("Auto-drop set", [{}], _AUTO_DROP, max_duration_s=min(limit_s, DROP_SET_S))


def _single_sets(template: _Template) -> list[Candidate]:
    """Drop sets and rest-pause, which fit into any number of minutes."""
    longest_s = min(template.limit_s, DROP_SET_S)
    drop_set = template.prescription("Classic drop set", [{}], max_drops=3, max_duration_s=longest_s)
    pauses = int(min(max((template.seconds - SET_S) // (PAUSE_REST_S + 10.0), 1), _MOST_PAUSES))
    rest_s = f"{PAUSE_REST_S:.0f}"
    return [
        Candidate("drop", "Classic drop set with three drops of a fifth", drop_set),
        Candidate(
            "auto", "Auto-drop set with about three repetitions a drop", _auto_drop_set(template, template.limit_s)
        ),
        Candidate(
            "rest-pause",
            "Rest-pause with "
            + (f"1 short bout after {rest_s} s" if pauses == 1 else f"{pauses} short bouts after {rest_s} s each"),
            template.prescription("Rest-pause", _bouts(pauses + 1, PAUSE_REST_S)),
        ),
    ]


def _straight_sets(template: _Template) -> list[Candidate]:
    """Straight sets with long and with short rests, and straight sets of which the last one drops."""
    long_sets, short_sets = template.sets_that_fit(LONG_REST_S), template.sets_that_fit(SHORT_REST_S)
    found = []
    if long_sets > 1 or short_sets == 1:
        title = f"{long_sets} straight set{'s' if long_sets > 1 else ''}"
        rests = f" with {LONG_REST_S:.0f} s rest" if long_sets > 1 else ""
        prescription = template.prescription("Straight sets", _bouts(long_sets, LONG_REST_S))
        found.append(Candidate("straight", title + rests, prescription))
    if short_sets > 1:
        bouts = _bouts(short_sets, SHORT_REST_S)
        found.append(
            Candidate(
                "straight-short",
                f"{short_sets} straight sets with {SHORT_REST_S:.0f} s rest",
                template.prescription("Straight sets, short rests", bouts),
            )
        )
        bouts = _bouts(short_sets, SHORT_REST_S, last="drop")
        found.append(
            Candidate(
                "mixed",
                f"{short_sets - 1} straight set{'s' if short_sets > 2 else ''} and a last one that drops",
                template.prescription("Straight sets, the last one dropping", bouts, _AUTO_DROP),
            )
        )
    return found


def _repeated_sets(template: _Template) -> list[Candidate]:
    """Two auto-drop sets, where the minutes allow for both and the rest between them."""
    if template.seconds < 2 * 1.5 * SET_S + BETWEEN_SETS_S:
        return []
    title = f"Two auto-drop sets with {BETWEEN_SETS_S:.0f} s between"
    limit_s = template.limit_within_s((template.seconds - BETWEEN_SETS_S) / 2)
    return [Candidate("auto-twice", title, _auto_drop_set(template, limit_s), 2, BETWEEN_SETS_S)]


def _bouts(count: int, rest_s: float, *, last: str = "end") -> list[dict[str, Any]]:
    """Bouts that end at a stall, with rest between them; ``last`` is what a stall does in the last one."""
    bouts = [{"on_stall": "end", **({"rest_before_s": rest_s} if k else {})} for k in range(count)]
    bouts[-1]["on_stall"] = last
    return bouts
