"""Invariant 9, inside the core: no event that the types allow makes regulator or guard raise, in any state.

The wire refuses most of these before they get here; an embedding that makes its own events has no wire.
"""

from __future__ import annotations

import copy
import dataclasses
import math
from functools import cache
from typing import Any, Final, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ebbset.controller.guard.guard import Guard
from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.estimator_state import CapacityState, Observation
from ebbset.controller.messages.events import (
    Acknowledged,
    BadInput,
    EarlierSet,
    Event,
    GuardRefused,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigAnnounced,
    RigLost,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import State
from ebbset.controller.recording.core_build import core_build
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind
from tests.support.answering_rig import AnsweringRig
from tests.support.finite import finite
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.regulated import order

EXAMPLES: Final = 20
"""In each state; the mending was done with 2,000."""
HUGE: Final = 10**400
UNPRINTABLE: Final = 10**5_000
INTS = st.sampled_from([-UNPRINTABLE, -HUGE, -1, 0, 1, 2, 2**53 + 1, 2**62 + 1, 2**64, HUGE, UNPRINTABLE])
FLOATS: st.SearchStrategy[Any] = st.sampled_from(
    [
        math.nan,
        math.inf,
        -math.inf,
        1e308,
        -1e308,
        1e200,
        5e-324,
        -5e-324,
        0.0,
        -0.0,
        1e9,
        -3.0,
        0.5,
        400.0,
        HUGE,
        -HUGE,
    ]
)
TEXTS = st.sampled_from(["", "x", "boot-0001", "boot-0009", "nonce-1", "\ud800", "a" * 100])
COLUMN = st.lists(FLOATS, max_size=7).map(tuple)
MAYBE_COLUMN = st.none() | COLUMN
PER_CABLE = st.lists(FLOATS, max_size=3).map(tuple)
BOTH = order(
    load={"cables": "independent"},
    stop={"max_left_right_difference": 0.2, "min_rom_fraction": 0.8, "max_velocity_loss": 0.4, "floor_failures": 3},
    budget={"capacity_loss": 0.5, "hard_repetitions": 20.0},
    bouts=[{"repetitions": 2}, {"rest_before_s": 3.0}],
)

EARLIER = st.builds(
    EarlierSet,
    lifter=st.sampled_from(["invented", "else"]),
    exercise=st.sampled_from(["row", "else"]),
    ended_us=INTS | st.integers(0, 3_000_000),
    cables=st.lists(
        st.builds(
            CapacityState,
            unit_n=FLOATS,
            load_n=FLOATS,
            seen=INTS,
            doubted=st.booleans(),
            z=st.lists(FLOATS, min_size=4, max_size=6).map(tuple),
            p=st.lists(st.lists(FLOATS, min_size=4, max_size=6).map(tuple), min_size=4, max_size=6).map(tuple),
            history=st.lists(
                st.builds(
                    Observation,
                    kind=st.sampled_from(["repetition", "stall", "rest"]),
                    value=FLOATS,
                    velocity_m_s=FLOATS,
                    outcome=st.sampled_from(RepetitionOutcome),
                    load_changed=st.booleans(),
                ),
                max_size=3,
            ).map(tuple),
        ),
        max_size=2,
    ).map(tuple),
)

WILD: Final[dict[str, st.SearchStrategy[Any]]] = {
    "now_us": INTS,
    "boot_id": TEXTS,
    "seq": INTS,
    "command_seq": INTS,
    "nonce": st.none() | TEXTS,
    "docked": st.booleans(),
    "applied_n": PER_CABLE,
    "t_us": st.lists(INTS | st.integers(77_000_000, 99_000_000), max_size=7).map(tuple),
    "position_m": st.lists(COLUMN, max_size=3).map(tuple),
    "velocity_m_s": st.lists(MAYBE_COLUMN, max_size=3).map(tuple),
    "force_n": st.lists(MAYBE_COLUMN, max_size=3).map(tuple),
    "t_start_us": INTS,
    "t_end_us": INTS,
    "outcome": st.sampled_from(RepetitionOutcome),
    "rom_m": PER_CABLE,
    "mean_velocity_m_s": PER_CABLE,
    "peak_velocity_m_s": PER_CABLE,
    "mean_force_n": st.lists(st.none() | FLOATS, max_size=3).map(tuple),
    "rig": TEXTS,
    "cables": INTS,
    "telemetry": st.sampled_from(["frames", "repetitions"]),
    "sample_rate_hz": FLOATS,
    "has_force": st.booleans(),
    "max_load_n": FLOATS,
    "min_load_n": FLOATS,
    "max_ramp_n_per_s": FLOATS,
    "max_lease_ms": INTS,
    "simulated": st.booleans(),
    "kind": st.sampled_from(RigEventKind),
    "detail": TEXTS,
    "accepted": st.booleans(),
    "refusal": st.none() | st.sampled_from(Refusal) | st.just("reason_of_later"),
    "correlation_id": TEXTS,
    "action": st.sampled_from(RequestAction),
    "operator": TEXTS,
    "ticket": st.none() | TEXTS,
    "arming": st.none() | TEXTS,
    "cautions_shown": st.booleans(),
    "fresh_nonce": st.none() | TEXTS,
    "prescription": st.none() | st.just(BOTH),
    "profile": st.none() | st.just(profile_of()),
    "earlier": st.none() | EARLIER,
    "topic": TEXTS,
    "code": TEXTS,
    "rule": TEXTS,
}
KINDS: Final = get_args(Event)


def kinematic(telemetry: str, cables: int) -> KinematicRig:
    maker = KinematicRig if telemetry == "frames" else AnsweringRig
    return maker(BOTH, cables=cables, profile=profile_of())


@cache
def prepared(state: State, telemetry: str, cables: int) -> KinematicRig:
    """A rig whose controller has come into this state by the book."""
    rig = kinematic(telemetry, cables)
    if state is State.OFFLINE:
        return rig
    if state is State.IDLE:
        rig.online()
        return rig
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.run(0.3)
    if state is not State.ARMED:
        rig.ask(RequestAction.START)
        rig.run(3.2)
    if state is State.RESTING:
        for _ in range(100):
            if isinstance(rig, AnsweringRig) and rig.controller.state is State.WORKING:
                rig.summary()
            if rig.controller.state is State.RESTING:
                break
            rig.frame()
    if state in (State.ENDING, State.ENDED):
        rig.ask(RequestAction.STOP)
    if state is State.ENDED:
        rig.run(4.0)
    assert rig.controller.state is state
    return rig


def own(state: State, telemetry: str, cables: int) -> KinematicRig:
    """The same, for one test to use up: a copy, or prepared anew with a compiled core, which cannot be copied."""
    if core_build() == "compiled":
        return prepared.__wrapped__(state, telemetry, cables)
    return copy.deepcopy(prepared(state, telemetry, cables))


def by_the_book(kind: type, rig: KinematicRig) -> Event:
    """A good event of this type, now."""
    n, t = rig.cables, rig.rig_us
    good: dict[str, Any] = {
        "now_us": rig.now_us,
        "boot_id": "boot-0001",
        "seq": rig.seq + 1,
        "command_seq": rig.commands[-1].seq if rig.commands else 0,
        "nonce": rig.nonce if kind is not Acknowledged else rig.nonce or "nonce-none",
        "docked": rig.docked,
        "applied_n": tuple(rig.applied),
        "t_us": (t + 10_000, t + 20_000) if kind is Samples else t + 20_000,
        "position_m": ((0.2, 0.2),) * n,
        "velocity_m_s": ((0.1, 0.1),) * n,
        "force_n": ((400.0, 400.0),) * n,
        "t_start_us": t - 900_000,
        "t_end_us": t,
        "outcome": RepetitionOutcome.COMPLETED,
        "rom_m": (0.5,) * n,
        "mean_velocity_m_s": (0.5,) * n,
        "peak_velocity_m_s": (0.8,) * n,
        "mean_force_n": (None,) * n,
        **{
            name: getattr(rig.identity(), name)
            for name in (
                "rig",
                "cables",
                "telemetry",
                "sample_rate_hz",
                "has_force",
                "max_load_n",
                "min_load_n",
                "max_ramp_n_per_s",
                "max_lease_ms",
            )
        },
        "simulated": False,
        "kind": RigEventKind.DOCKED,
        "detail": "",
        "accepted": True,
        "refusal": None,
        "correlation_id": "ask-0001",
        "action": RequestAction.ARM,
        "operator": "coach",
        "ticket": "run12345-7",
        "arming": rig.nonce,
        "cautions_shown": True,
        "fresh_nonce": "nonce-fresh",
        "prescription": BOTH,
        "profile": profile_of(),
        "earlier": None,
        "topic": "rig/frame",
        "code": "not_json",
        "rule": "test",
    }
    event: Event = kind(**{field.name: good[field.name] for field in dataclasses.fields(kind)})
    return event


@st.composite
def wild(draw: st.DrawFn, kind: type, rig: KinematicRig) -> Event:
    """A good event with any of its fields, but never none of them, replaced by anything that its type allows."""
    names = [field.name for field in dataclasses.fields(kind)]
    chosen = draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True))
    changes = {name: draw(_field(kind, name), label=name) for name in chosen}
    return dataclasses.replace(by_the_book(kind, rig), **changes)


def _field(kind: type, name: str) -> st.SearchStrategy[Any]:
    if name == "t_us" and kind is not Samples:
        return INTS
    if name == "nonce" and kind is Acknowledged:
        return TEXTS
    return WILD[name]


def test_every_field_of_every_event_has_wild_values() -> None:
    """A new field or event cannot stay out of this test unnoticed."""
    assert set(KINDS) == {
        Samples,
        RepetitionSeen,
        RigAnnounced,
        RigLost,
        RigReported,
        Acknowledged,
        Requested,
        LinkUp,
        LinkDown,
        Tick,
        BadInput,
        GuardRefused,
    }
    assert {field.name for kind in KINDS for field in dataclasses.fields(kind)} <= set(WILD)


@pytest.mark.parametrize("telemetry", ["frames", "repetitions"])
@pytest.mark.parametrize("state", list(State))
@given(data=st.data())
@settings(max_examples=EXAMPLES)
def test_no_event_that_the_types_allow_raises(state: State, telemetry: str, data: st.DataObject) -> None:
    rig = own(state, telemetry, data.draw(st.sampled_from([1, 2]), label="cables"))
    since = len(rig.outputs)
    for _ in range(data.draw(st.integers(1, 4), label="events")):
        kind = data.draw(st.sampled_from(KINDS), label="kind")
        rig.send(data.draw(wild(kind, rig), label="event"))
        rig.target = (rig.target * 2)[: rig.cables] or [0.0] * rig.cables
        if data.draw(st.booleans(), label="a good frame between"):
            rig.frame()
    rig.run(0.4)
    rig.ask(RequestAction.STOP)
    rig.run(0.4)
    assert all(map(finite, rig.outputs[since:]))


@pytest.mark.parametrize("kind", [SendArm, SendLoad, SendUnload, SendRelease])
@pytest.mark.parametrize("state", list(State))
@given(data=st.data())
@settings(max_examples=EXAMPLES)
def test_the_guard_answers_any_command_in_any_state(state: State, kind: type, data: st.DataObject) -> None:
    rig = own(state, "frames", 1)
    guard: Guard = rig.controller._guard  # noqa: SLF001 - the guard that has seen this set
    values: dict[str, st.SearchStrategy[Any]] = {
        "nonce": TEXTS | st.just(rig.nonce or ""),
        "seq": INTS,
        "ceiling_n": PER_CABLE,
        "floor_n": PER_CABLE,
        "max_ramp_n_per_s": FLOATS,
        "ramp_n_per_s": FLOATS,
        "target_n": PER_CABLE,
        "lease_ms": INTS,
        "cites_t_us": INTS,
    }
    good: dict[str, Any] = {
        "nonce": rig.nonce or "",
        "seq": 10**6,
        "ceiling_n": (400.0,),
        "floor_n": (120.0,),
        "max_ramp_n_per_s": 400.0,
        "ramp_n_per_s": 400.0,
        "target_n": (400.0,),
        "lease_ms": 600,
        "cites_t_us": rig.rig_us,
    }
    names = [field.name for field in dataclasses.fields(kind)]
    changed = data.draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True))
    drawn = {name: data.draw(values[name], label=name) for name in changed}
    now_us = data.draw(INTS | st.just(rig.now_us), label="now_us")
    refused = guard.check(kind(**{**{name: good[name] for name in names}, **drawn}), now_us)
    if kind in (SendUnload, SendRelease):
        assert refused is None
    else:
        assert refused is None or (refused.rule and refused.detail)
