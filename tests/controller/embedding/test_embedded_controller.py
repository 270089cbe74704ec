"""The adapter: acknowledgements, nonces, callbacks from within, other threads, and a driver that fails."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ebbset.controller.embedding.embedded_controller import EmbeddedController
from ebbset.controller.messages.actions import Output, SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import Acknowledged, Event, RigReported, Samples
from ebbset.controller.messages.reasons import AnswerCode, Reason, State
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigEventKind
from examples.bench_motor import RIG, BenchMotor

COMMANDS = (SendArm, SendLoad, SendUnload, SendRelease)
ORDER = Prescription.model_validate(
    {
        "name": "Bench",
        "exercise": "row",
        "load": {"start_n": 400.0, "floor_n": 150.0},
        "drop": {"policy": "fixed_fraction", "parameters": {"fraction": 0.25}},
        "stop": {"max_drops": 2},
    }
)


class Bench:
    """A motor, its controller, and everything that was handled."""

    def __init__(self, motor: BenchMotor | None = None) -> None:
        self.motor = motor or BenchMotor()
        self.log: list[tuple[Event, tuple[Output, ...]]] = []
        self.also: Callable[[Event], None] = lambda _event: None
        self.controller = EmbeddedController(self.motor, RIG, handled=self._handled, clock_us=self.motor.clock_us)

    def _handled(self, event: Event, outputs: tuple[Output, ...]) -> None:
        self.log.append((event, outputs))
        self.also(event)

    def samples(self, count: int) -> None:
        for _ in range(count):
            self.controller.sample(**self.motor.step())

    def working(self) -> Bench:
        self.samples(10)
        assert self.controller.arm(ORDER, cautions_shown=True).accepted
        assert self.controller.start().accepted
        return self

    @property
    def reason(self) -> Reason | None:
        return None if self.controller.result is None else self.controller.result.reason

    def events(self, kind: type) -> list[Event]:
        return [event for event, _ in self.log if isinstance(event, kind)]


def test_a_whole_set_replays_from_what_was_handled() -> None:
    bench = Bench().working()
    while bench.controller.result is None:
        bench.samples(1)
    assert (bench.reason, bench.controller.result.drops) == (Reason.DROPS_SPENT, 2)
    again = SetController(load_policies())
    assert [again.handle(event) for event, _ in bench.log] == [outputs for _, outputs in bench.log]


def test_every_command_is_acknowledged_and_frames_bear_the_nonce_while_it_is_bound() -> None:
    bench = Bench().working()
    bench.samples(300)
    bench.controller.stop()
    bench.samples(300)
    commands = [output for _, outputs in bench.log for output in outputs if isinstance(output, COMMANDS)]
    answers = [event for event, _ in bench.log if isinstance(event, Acknowledged)]
    assert [(event.nonce, event.command_seq) for event in answers] == [(one.nonce, one.seq) for one in commands]
    [arm] = [command for command in commands if isinstance(command, SendArm)]
    seen = [event.nonce for event in bench.events(Samples) if isinstance(event, Samples)]
    assert seen[0] is None
    assert arm.nonce in seen
    assert seen[-1] is None
    assert (bench.reason, bench.motor.applied_n) == (Reason.STOP_REQUESTED, 0.0)


def test_two_sets_have_two_nonces() -> None:
    bench = Bench()
    nonces = set()
    for _ in range(2):
        bench.samples(10)
        answer = bench.controller.arm(ORDER, cautions_shown=True)
        nonces.add(answer.nonce)
        bench.controller.release()
        bench.samples(300)
    assert len(nonces) == 2
    assert None not in nonces


class NumpyMotor(BenchMotor):
    """A driver that hands on what numpy gave it, as one does that filters its sensors with arrays."""

    def step(self) -> Any:
        return {
            name: np.bool_(value) if name == "docked" else tuple(np.asarray(value))
            for name, value in super().step().items()
        } | {"t_us": np.int64(self.now_us)}


def test_a_driver_may_give_numpys_numbers_and_the_core_gets_pythons() -> None:
    bench = Bench(NumpyMotor()).working()
    while bench.controller.result is None:
        bench.samples(1)
    assert (bench.reason, bench.controller.result.drops) == (Reason.DROPS_SPENT, 2)
    (first, *_) = frames = [event for event in bench.events(Samples) if isinstance(event, Samples)]
    rows = [
        (*f.t_us, *f.position_m[0], *(f.velocity_m_s[0] or ()), *(f.force_n[0] or ()), *f.applied_n) for f in frames
    ]
    assert {type(value) for row in rows for value in row} == {int, float}
    assert type(first.docked) is bool


def test_what_was_not_shown_or_not_heard_is_refused() -> None:
    bench = Bench()
    assert bench.controller.arm(ORDER, cautions_shown=True).code == AnswerCode.NO_TELEMETRY
    bench.samples(10)
    assert not bench.controller.arm(ORDER, cautions_shown=False).accepted
    assert not bench.controller.start().accepted


class FailingMotor(BenchMotor):
    """Its drive refuses to hold anything."""

    def hold(self, target_n: tuple[float, ...], ramp_n_per_s: float, lease_ms: int) -> None:
        del target_n, ramp_n_per_s, lease_ms
        raise OSError("bus off")


def test_a_driver_that_fails_ends_the_set_and_the_reason_is_kept() -> None:
    bench = Bench(FailingMotor())
    bench.samples(10)
    assert bench.controller.arm(ORDER, cautions_shown=True).accepted
    bench.controller.start()
    bench.samples(300)
    assert bench.reason in (Reason.RIG_FAULT, Reason.RIG_REFUSED)
    [reported] = bench.events(RigReported)
    assert isinstance(reported, RigReported)
    assert (reported.kind, reported.detail) == (RigEventKind.FAULT, "OSError: bus off")
    assert bench.motor.applied_n == 0.0


def test_a_driver_may_call_back_from_within_its_own_functions() -> None:
    class Talking(BenchMotor):
        bench: Bench

        def hold(self, target_n: tuple[float, ...], ramp_n_per_s: float, lease_ms: int) -> None:
            super().hold(target_n, ramp_n_per_s, lease_ms)
            if max(target_n) > 0.0:
                self.bench.controller.report(RigEventKind.EMERGENCY_STOP)

    motor = Talking()
    motor.bench = Bench(motor)
    motor.bench.samples(10)
    assert motor.bench.controller.arm(ORDER, cautions_shown=True).accepted
    motor.bench.controller.start()
    motor.bench.samples(200)
    assert motor.bench.reason is Reason.EMERGENCY_STOP


def test_a_callback_may_stop_but_not_arm() -> None:
    bench = Bench().working()
    bench.samples(300)
    failed: list[RuntimeError] = []

    def intervene(event: Event) -> None:
        if isinstance(event, Samples) and not failed:
            try:
                bench.controller.arm(ORDER, cautions_shown=True)
            except RuntimeError as error:
                failed.append(error)
            bench.controller.stop()

    bench.also = intervene
    bench.samples(300)
    assert str(failed[0]) == "arm from within a callback; allowed: from outside, when it is over"
    assert bench.reason is Reason.STOP_REQUESTED


def test_another_thread_may_stop() -> None:
    bench = Bench().working()
    bench.samples(300)
    assert bench.controller.state is State.WORKING
    other = threading.Thread(target=bench.controller.stop)
    other.start()
    while other.is_alive():
        bench.samples(1)
    other.join()
    bench.samples(300)
    assert (bench.reason, bench.motor.applied_n) == (Reason.STOP_REQUESTED, 0.0)


def test_ticks_end_a_set_whose_samples_have_stopped_coming() -> None:
    bench = Bench().working()
    bench.samples(300)
    renewed = len([1 for _, outputs in bench.log if any(isinstance(output, SendLoad) for output in outputs)])
    for _ in range(600):
        bench.motor.step()
        bench.controller.tick()
    assert bench.reason is Reason.TELEMETRY_LOST
    assert bench.motor.applied_n == 0.0
    assert renewed > 5


def test_a_column_of_another_length_is_named() -> None:
    bench = Bench()
    sample = bench.motor.step()
    with pytest.raises(ValueError, match=r"position_m is 2 values long; allowed: 1, one per cable"):
        bench.controller.sample(**(sample | {"position_m": (0.0, 0.0)}))


def test_a_rig_without_a_force_cell_says_so() -> None:
    motor = BenchMotor()
    controller = EmbeddedController(motor, replace(RIG, has_force=False), clock_us=motor.clock_us)
    for _ in range(10):
        controller.sample(**(motor.step() | {"force_n": None}))
    assert controller.arm(ORDER, cautions_shown=True).accepted
