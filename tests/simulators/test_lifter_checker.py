"""The checker finds each broken promise, and nothing in lifters that keep them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Self

import numpy as np
import pytest

from ebbset.simulators.lifter.conduct import Conduct
from ebbset.simulators.lifter.habits import FULL_EFFORT, Habits
from ebbset.simulators.lifter.layout import Phase
from ebbset.simulators.population.lifter_checker import check_lifter
from ebbset.simulators.structures import published_statistics, velocity_line
from ebbset.simulators.structures.movements import Movement
from ebbset.simulators.structures.velocity_line import PersonalLine, VelocityLine

QUICK = Habits(eccentric_m_s=0.8, handling_m_s=0.8, pause_bottom_s=0.0, pause_top_s=0.0, patience_s=0.3, retries=0)
MOVEMENT = Movement(
    exercise="pushdown",
    bottom_m=0.2,
    rom_m=0.3,
    moving_mass_kg=3.0,
    one_rm_n=100.0,
    velocity_at_1rm_m_s=0.2,
    slope_m_s=1.5,
)
LINE = PersonalLine(
    intercept_n=120.0,
    velocity_intercept_m_s=1.7,
    lengthening=1.3,
    tilt=0.0,
    stick_depth=0.0,
    stick_at=0.4,
    stick_width=0.1,
    loss=0.05,
    load_power=1.0,
    speed_loss=0.5,
    failure_cost=2.0,
    half_time_s=60.0,
)
_SHARED = np.random.default_rng(5)


class Sound(VelocityLine):
    """Somebody quick to check, who keeps every promise; each of those below breaks one."""

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(MOVEMENT, LINE, habits=QUICK, asymmetry=0.0, rng=rng)


class OnePullTooFew(Sound):
    def step(self, dt_s: float, x: Sequence[float], v: Sequence[float], pull: Sequence[float]) -> Sequence[float]:
        return super().step(dt_s, x, v, pull)[:1]


class NotANumber(Sound):
    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        return super().greatest_pull_n(share, velocity_m_s) if share < 0.5 else float("nan")


class Raises(Sound):
    def tire(self, _dt_s: float, _effort: float, share: float, _velocity_m_s: float) -> None:
        if share > 0.5:
            raise RuntimeError("no such muscle")


class SharedGenerator(Sound):
    """Random numbers that are not this person's own."""

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        return super().greatest_pull_n(share, velocity_m_s) * float(_SHARED.uniform(0.98, 1.02))


class SharesConduct(Sound):
    def copy(self) -> Self:
        other = super().copy()
        other.conduct = self.conduct
        return other


class ForgetsTheLoad(Sound):
    def copy(self) -> Self:
        other = super().copy()
        other.conduct.felt_n = 0.0
        return other


class Stronger(Sound):
    def capacity(self) -> float:
        return 2.0 * super().capacity()


class WorkRests(Sound):
    def tire(self, dt_s: float, _effort: float, _share: float, _velocity_m_s: float) -> None:
        self._left = min(self._left + 0.1 * dt_s, 1.0) if self.phase is Phase.CONCENTRIC else self._left - 0.02 * dt_s


class RestTires(Sound):
    """Even before a strength test."""

    def rest(self, _duration_s: float) -> None:
        self._left *= 0.9


class NoisyAndHoldsOn(Sound):
    """Noise that full effort does not switch off, and a handle that is never put down."""

    def greatest_pull_n(self, share: float, velocity_m_s: float) -> float:
        return super().greatest_pull_n(share, velocity_m_s) * float(self.rng.uniform(0.99, 1.01))

    def step(self, dt_s: float, x: Sequence[float], v: Sequence[float], pull: Sequence[float]) -> Sequence[float]:
        pulls = super().step(dt_s, x, v, pull)
        if self.phase in (Phase.PUTTING_DOWN, Phase.REST):
            self.phase = Phase.BOTTOM
        return pulls


class HalfWay(Sound):
    """Turns round in mid-range even with all effort."""

    def at_full_effort(self) -> Self:
        other = super().at_full_effort()
        other.conduct = Conduct(FULL_EFFORT, self.bottom_m, 0.7 * self.rom_m)
        return other


@pytest.mark.parametrize(
    ("broken", "rules"),
    [
        (OnePullTooFew, {"answers each step with a finite pull for each cable"}),
        (NotANumber, {"answers each step with a finite pull for each cable"}),
        (Raises, {"lives through a set without an error"}),
        (SharedGenerator, {"is the same person again from the same seed"}),
        (SharesConduct, {"copy() is independent"}),
        (ForgetsTheLoad, {"copy() is exact"}),
        (Stronger, {"capacity() is a share"}),
        (WorkRests, {"an ascent makes nobody stronger"}),
        (RestTires, {"rest does not make weaker", "at_full_effort() gives a rested copy"}),
        (NoisyAndHoldsOn, {"full effort is the same every time", "puts an unloaded handle down"}),
        (HalfWay, {"lifts something once with all effort"}),
    ],
)
def test_each_broken_promise_is_found(broken: Callable[[np.random.Generator], Any], rules: set[str]) -> None:
    findings = check_lifter(lambda _exercise, rng: broken(rng))
    assert rules <= {finding.rule for finding in findings}
    assert all(len(finding.detail) > 10 for finding in findings)


def test_a_sound_lifter_passes() -> None:
    assert check_lifter(lambda _exercise, rng: Sound(rng)) == []


@pytest.mark.parametrize("draw", [velocity_line.draw, published_statistics.draw])
def test_the_families_here_pass(draw: Callable[[str | None, np.random.Generator], Any]) -> None:
    assert check_lifter(draw, seed=2, exercise="curl") == []


def test_what_cannot_be_drawn_or_is_no_lifter_is_said() -> None:
    def fails(_exercise: str | None, _rng: np.random.Generator) -> object:
        raise KeyError("size")

    (finding,) = check_lifter(fails)
    assert finding.rule == "a person can be drawn"
    assert "KeyError" in finding.detail
    (finding,) = check_lifter(lambda _exercise, _rng: object())
    assert "without exercise" in finding.detail
    findings = check_lifter(lambda _exercise, rng: Sound(rng), exercise="squat")
    assert [one.rule for one in findings] == ["does the exercise asked for"]
