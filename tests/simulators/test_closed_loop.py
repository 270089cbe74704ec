"""Whole sets in memory: lifter, rig and the real controller. What must stay true stays true, bit for bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ebbset.controller.messages.actions import Decision, Output, SendLoad
from ebbset.controller.messages.events import Event, Samples, Tick
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigEventKind
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.closed_loop.installed import installed_controller
from ebbset.simulators.closed_loop.link_model import LinkModel, Way
from ebbset.simulators.closed_loop.rig_monitor import RigMonitor
from ebbset.simulators.closed_loop.simulated_set import LoopSettings, SetNotRunError, SimulatedSet
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.population.strength_test import one_rm_n
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.sensors import FaultKind, SensedQuantity, SensorFault, SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, limits_of

RIG = RigParameters()


def person(number: int = 0, name: str = "bench_press") -> LifterParameters:
    return draw_lifter(exercise(name), person_rng(11, number), fatigue_model="3cc_r")


def ordered(lifter: LifterParameters, share: float = 0.75, rig: RigParameters = RIG, **changes: object) -> Prescription:
    one_rm = one_rm_n(lifter, rig)
    return Prescription.model_validate(
        {
            "name": "Simulated",
            "exercise": lifter.exercise,
            "load": {"start_n": share * one_rm, "floor_n": 0.4 * one_rm},
            **changes,
        }
    )


def run(lifter: LifterParameters, prescription: Prescription, **more: object) -> SimulatedSet:
    """A run whose invariants all held, replay included."""
    settings = LoopSettings(check_replay=True)
    outcome = run_set(prescription, lifter, **{"rig": RIG, "seed": 3, "settings": settings, **more})  # type: ignore[arg-type]
    assert outcome.violations == []
    return outcome


def reason_of(outcome: SimulatedSet) -> Reason:
    assert outcome.result is not None
    return outcome.result.reason


# --- ordinary sets -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(3))
def test_an_auto_drop_set_goes_down_by_itself_and_ends_by_rule(number: int) -> None:
    lifter = person(number)
    prescription = ordered(lifter)
    outcome = run(lifter, prescription)
    targets = [target[0] for _, target in outcome.loads]
    assert outcome.state is State.ENDED
    assert reason_of(outcome) is Reason.FLOOR_FAILED
    assert targets == sorted(targets, reverse=True)
    assert targets[0] == pytest.approx(prescription.load.start_n)
    assert targets[-2] == pytest.approx(prescription.load.floor_n, abs=0.06)
    assert targets[-1] == 0.0
    assert len(targets) >= 4
    assert outcome.completed >= 8
    # What the controller counted is what happened, but for repetitions at the edge of the range of motion.
    assert outcome.result is not None
    assert abs(outcome.result.repetitions - outcome.completed) <= 2
    assert outcome.capacity_after < 0.6 < outcome.capacity_before


def test_a_straight_set_of_repetitions_ends_when_they_are_done() -> None:
    lifter = person()
    outcome = run(lifter, ordered(lifter, 0.6, stop={"max_repetitions": 4}))
    assert reason_of(outcome) is Reason.REPETITIONS_DONE
    assert outcome.completed == 4


def test_bouts_with_a_programmed_rest_between_them() -> None:
    lifter = person()
    one_rm = one_rm_n(lifter, RIG)
    bouts = [{"repetitions": 3}, {"repetitions": 2, "rest_before_s": 8.0, "load_n": 0.5 * one_rm}]
    outcome = run(lifter, ordered(lifter, 0.6, bouts=bouts))
    assert reason_of(outcome) is Reason.REPETITIONS_DONE
    assert outcome.result is not None
    assert outcome.result.bouts == 2
    assert [r.bout for r in outcome.true_repetitions if r.truth.completed] == [0, 0, 0, 1, 1]
    (off_s, off), (on_s, on) = outcome.loads[1:3]
    assert off == (0.0,)
    assert on == pytest.approx((0.5 * one_rm,))
    assert on_s - off_s >= 8.0


def test_two_cables_with_an_uneven_pair_of_arms() -> None:
    lifter = replace(person(), asymmetry=0.1)
    rig = RigParameters(n_cables=2)
    prescription = ordered(lifter, 0.7, rig)
    outcome = run(lifter, prescription, rig=rig)
    assert outcome.state is State.ENDED
    assert all(left == right for _, (left, right) in outcome.loads)
    independent = ordered(
        lifter, 0.7, rig, load={"start_n": prescription.load.start_n, "floor_n": 30.0, "cables": "independent"}
    )
    targets = [target for _, target in run(lifter, independent, rig=rig).loads]
    assert any(left != right for left, right in targets)


def test_a_second_set_begins_tired() -> None:
    lifter = person()
    prescription = ordered(lifter, 0.7)
    plant = Plant(RIG, lifter, np.random.default_rng(3))
    first = run(lifter, prescription, plant=plant)
    plant.advance(5_000)
    plant.rest(60.0)
    second = run(lifter, prescription, plant=plant)
    assert first.capacity_before == pytest.approx(1.0)
    assert second.capacity_before < 0.95
    assert second.completed < first.completed


def test_the_same_seed_gives_the_same_set_and_another_seed_another() -> None:
    lifter = person()
    prescription = ordered(lifter)
    first, second, other = (run(lifter, prescription, seed=seed) for seed in (8, 8, 9))
    assert (first.decisions, first.repetitions, first.loads) == (second.decisions, second.repetitions, second.loads)
    assert first.true_repetitions == second.true_repetitions
    assert first.loads != other.loads


@pytest.mark.parametrize("rate_hz", [20.0, 250.0, 1_000.0])
def test_other_sample_rates_run_too(rate_hz: float) -> None:
    lifter = person()
    frame = max(round(rate_hz / 20.0), 1)
    outcome = run(
        lifter,
        ordered(lifter, 0.6, stop={"max_repetitions": 3}),
        sensors=SensorParameters(sample_rate_hz=rate_hz),
        settings=LoopSettings(frame_samples=frame, check_replay=True),
    )
    assert reason_of(outcome) is Reason.REPETITIONS_DONE


def test_what_the_recorder_gets_is_what_the_controller_handled() -> None:
    lifter = person()
    heard: list[tuple[Event, tuple[Output, ...]]] = []
    probed: list[float] = []
    outcome = run(
        lifter,
        ordered(lifter, 0.6, stop={"max_repetitions": 2}),
        recorder=lambda event, outputs: heard.append((event, outputs)),
        probe=lambda plant, _: probed.append(plant.time_s),
    )
    assert len(heard) == outcome.events
    assert [event.now_us for event, _ in heard] == sorted(event.now_us for event, _ in heard)
    assert [o for _, outputs in heard for o in outputs if isinstance(o, Decision)] == outcome.decisions
    assert len(probed) == sum(1 for _, outputs in heard if outputs)
    assert not any(isinstance(event, Tick) for event, _ in heard[20:])


# --- what goes wrong ---------------------------------------------------------------------------------------------


def test_a_refused_arming_is_reported() -> None:
    lifter = person()
    prescription = ordered(lifter)
    heavy = prescription.model_copy(update={"load": prescription.load.model_copy(update={"start_n": 4_000.0})})
    with pytest.raises(SetNotRunError, match=r"arm refused: .*start_n.*allowed"):
        run_set(heavy, lifter, RIG, seed=1)


def at_work(kind: FaultKind, **more: object) -> tuple[SensorFault, ...]:
    """A fault that begins in the middle of the work and stays."""
    return (SensorFault(kind=kind, from_s=9.0, **more),)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("faults", "reasons"),
    [
        (at_work(FaultKind.SILENT), {Reason.TELEMETRY_LOST}),
        (at_work(FaultKind.NOT_A_NUMBER, quantity=SensedQuantity.VELOCITY), {Reason.TELEMETRY_LOST}),
        (at_work(FaultKind.FROZEN), {Reason.TELEMETRY_FROZEN, Reason.SENSORS_DISAGREE}),
        (
            at_work(FaultKind.STUCK, quantity=SensedQuantity.POSITION),
            {Reason.TELEMETRY_FROZEN, Reason.SENSORS_DISAGREE},
        ),
        (at_work(FaultKind.OFFSET, quantity=SensedQuantity.VELOCITY, offset=0.8), {Reason.SENSORS_DISAGREE}),
    ],
    ids=["silent", "not-a-number", "frozen", "position-stuck", "velocity-offset"],
)
def test_a_sensor_fault_ends_the_set_safely(faults: tuple[SensorFault, ...], reasons: set[Reason]) -> None:
    lifter = person()
    outcome = run(lifter, ordered(lifter, 0.6), faults=faults)
    assert reason_of(outcome) in reasons
    assert outcome.loads[-1][1] == (0.0,)


def test_an_outage_leaves_the_rig_unloading_within_one_lease() -> None:
    lifter = person()
    prescription = ordered(lifter, 0.6)
    outcome = run(lifter, prescription, link=LinkModel(outages_s=((9.0, 30.0),)))
    assert reason_of(outcome) is Reason.TELEMETRY_LOST
    unloaded_s, target = outcome.loads[-1]
    assert target == (0.0,)
    assert 9.0 <= unloaded_s <= 9.0 + prescription.safety.lease_ms * 1e-3 + 0.011


def test_lost_frames_are_lived_through_up_to_the_timeout() -> None:
    lifter = person()
    outcome = run(lifter, ordered(lifter, 0.6, stop={"max_repetitions": 4}), link=LinkModel(frame_loss=0.1))
    assert reason_of(outcome) is Reason.REPETITIONS_DONE
    assert outcome.completed == 4


def test_a_slow_link_lets_commands_come_too_late_and_the_set_end_by_itself() -> None:
    lifter = person()
    outcome = run(lifter, ordered(lifter, 0.6), link=LinkModel(delay_s=0.7))
    assert outcome.result is not None
    assert outcome.loads == [] or outcome.loads[-1][1] == (0.0,)


class Greedy:
    """A controller that breaks what may not be broken, to see that it is seen."""

    def __init__(self, sound: SetController, spoil: str) -> None:
        self._sound = sound
        self._spoil = spoil
        self._sent = 0

    @property
    def state(self) -> State:
        return self._sound.state

    def handle(self, event: Event) -> tuple[Output, ...]:
        if self._spoil == "raises" and isinstance(event, Samples) and event.seq == 100:
            raise RuntimeError("spoilt")
        out = []
        for output in self._sound.handle(event):
            if isinstance(output, SendLoad):
                self._sent += 1
                if self._spoil == "rise" and self._sent == 30:
                    output = replace(output, target_n=tuple(value + 1.0 for value in output.target_n))
                elif self._spoil == "floor" and self._sent == 30:
                    output = replace(output, target_n=(25.0,))
                elif self._spoil == "citation" and self._sent == 30:
                    output = replace(output, cites_t_us=output.cites_t_us - 500_000)
            out.append(output)
        return tuple(out)


@pytest.mark.parametrize(("spoil", "invariant"), [("rise", 2), ("floor", 3), ("citation", 5), ("raises", 9)])
def test_a_broken_invariant_is_seen(spoil: str, invariant: int) -> None:
    lifter = person()
    outcome = run_set(
        ordered(lifter, 0.6, stop={"max_duration_s": 30.0}),
        lifter,
        RIG,
        seed=3,
        controller_factory=lambda: Greedy(installed_controller(), spoil),  # type: ignore[arg-type,return-value]
    )
    assert invariant in {breach.invariant for breach in outcome.violations}


def test_what_happens_at_the_rig_is_watched() -> None:
    watch = RigMonitor(max_ramp_n_per_s=1_000.0)
    sound = {"now_us": 0, "elapsed_s": 0.05, "before_n": (100.0,), "applied_n": (150.0,), "target_n": (200.0,)}
    watch.granted(600_000)
    watch.step(**sound, t_us=600_000, slack_in_hand=False)  # type: ignore[arg-type]
    assert watch.breaches == []
    watch.step(**{**sound, "applied_n": (150.2,)}, t_us=500_000, slack_in_hand=False)  # type: ignore[arg-type]
    watch.step(**sound, t_us=600_001, slack_in_hand=False)  # type: ignore[arg-type]
    watch.step(**sound, t_us=500_000, slack_in_hand=True)  # type: ignore[arg-type]
    assert [breach.invariant for breach in watch.breaches] == [4, 7, 4]


# --- the link model ----------------------------------------------------------------------------------------------


def test_the_link_keeps_order_delays_and_loses_as_declared() -> None:
    way = Way(LinkModel(delay_s=0.01, jitter_s=0.02, frame_loss=0.3), np.random.default_rng(4))
    sent = [0.05 * k for k in range(4_000)]
    arrivals = [way.arrival_s(t, may_be_lost=True) for t in sent]
    arrived = [(t, a) for t, a in zip(sent, arrivals, strict=True) if a is not None]
    # A share p of n has a standard error of sqrt(p (1 - p) / n); five of them allowed.
    assert abs(len(arrived) / 4_000 - 0.7) < 5 * (0.3 * 0.7 / 4_000) ** 0.5
    assert [a for _, a in arrived] == sorted(a for _, a in arrived)
    delays = np.array([a - t for t, a in arrived])
    assert delays.min() >= 0.01
    assert np.median(delays) == pytest.approx(0.01 + 0.02 * np.log(2), rel=0.15)


@pytest.mark.parametrize(("field", "value"), [("delay_s", -1.0), ("frame_loss", 1.5), ("outages_s", ((3.0, 1.0),))])
def test_an_impossible_link_is_named(field: str, value: object) -> None:
    with pytest.raises(ValueError, match=f"{field} .*allowed"):
        LinkModel(**{field: value})  # type: ignore[arg-type]


def test_a_speed_that_lasted_less_than_a_frame_is_seen_by_the_rig() -> None:
    rig = SimulatedRig(
        Plant(RIG, person(), np.random.default_rng(0)),
        Sensors(SensorParameters(), cables=1, rng=np.random.default_rng(1)),
        RigFirmware(limits_of(RIG), boot_id="boot-0001"),
        frame_samples=50,
        ready_after_s=None,
    )
    rig.plant.command((400.0,), 2_000.0)
    rig.plant.guide(0.4, 0.8)
    rig.advance(0, 50)
    rig.advance(0, 50)
    assert rig.watch(0, 50, t_us=rig.clock_us()) == ()
    rig.plant.let_go()
    rig.advance(0, 50)
    assert abs(rig.truth[-1, 0, 2]) < 0.5
    assert RigEventKind.OVER_SPEED in [notice.kind for notice in rig.watch(0, 50, t_us=rig.clock_us())]
