"""What the kit makes of a load that is held: pure arithmetic on frames."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from ebbset.conformance import judgement as judge
from ebbset.conformance.rig_heard import Heard
from ebbset.models.contract.rig_messages import SampleFrame
from tests.support.wire_messages import FRAME

LOAD_N = 200.0
CHECKS = ("load_held", "force_held", "load_without_jumps")
OfTime = Callable[[float], float]


def steady(t: float) -> float:
    del t
    return LOAD_N


def hold(applied_n: OfTime = steady, force_n: OfTime | None = steady, seconds: float = 14.0) -> judge.Notebook:
    """The verdicts on a hold at 20 frames a second."""
    frames = []
    for k in range(round(20 * seconds)):
        t = k / 20
        cable = {"position_m": [0.0], "velocity_m_s": [0.0]}
        if force_n is not None:
            cable["force_n"] = [force_n(t)]
        message = {**FRAME, "seq": k, "t_us": [10**6 + 50_000 * k], "applied_n": [applied_n(t)], "cables": [cable]}
        frames.append(Heard(t, SampleFrame.model_validate_json(json.dumps(message))))
    book = judge.Notebook()
    judge.held(book, [(heard.at_s, max(heard.message.applied_n)) for heard in frames], LOAD_N)
    judge.held_frames(book, frames, LOAD_N)
    return book


def failed(book: judge.Notebook) -> set[str]:
    return {name for name in book.verdicts if not book.passed(name)}


def test_a_steady_load_passes_each_check() -> None:
    book = hold()
    assert [book.passed(name) for name in CHECKS] == [True] * 3


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_each_fault_fails_its_own_check_and_no_other(sign: float) -> None:
    drifting: OfTime = lambda t: LOAD_N + sign * 2.0 * t  # noqa: E731 - a function of time, told in place
    jumping: OfTime = lambda t: LOAD_N + (sign * 40.0 if 6.0 <= t < 6.1 else 0.0)  # noqa: E731 - as above
    assert failed(hold(drifting, drifting)) == {"load_held"}
    assert failed(hold(steady, drifting)) == {"force_held"}
    assert failed(hold(steady, jumping)) == {"load_without_jumps"}
    assert failed(hold(jumping, steady)) == {"load_without_jumps"}


def test_the_limits_are_those_that_the_catalogue_names() -> None:
    assert judge.allowed_load_change_n(200.0) == pytest.approx(6.0)
    assert judge.allowed_load_change_n(100.0) == 5.0
    assert judge.allowed_force_change_n(400.0) == pytest.approx(20.0)
    assert judge.allowed_force_change_n(100.0) == 10.0
    assert judge.allowed_jump_n(200.0) == pytest.approx(30.0)
    assert judge.allowed_jump_n(50.0) == 15.0


def test_without_a_cell_or_with_too_short_a_hold_nothing_is_said_of_it() -> None:
    assert set(hold(force_n=None).verdicts) == {"load_held", "load_without_jumps"}
    assert set(hold(seconds=3.0).verdicts) == {"load_without_jumps"}
    book = judge.Notebook()
    judge.held(book, [], LOAD_N)
    judge.held_frames(book, [], LOAD_N)
    assert book.verdicts == {}
