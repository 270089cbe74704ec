"""The nine invariants of a set under arbitrary interleavings of telemetry, requests, faults and time.

Two machines. One drives the whole controller and a kinematic rig through whatever Hypothesis thinks of; the other puts
arbitrary commands, as a regulator gone mad might, past the guard alone. The judge of both is
`simulators.closed_loop.invariant_monitor.InvariantMonitor`, which shares no code with regulator or guard.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from ebbset.controller.guard.guard import Guard
from ebbset.controller.messages.actions import Command, Decision, Output, SendArm, SendLoad, SendRelease, SendUnload
from ebbset.controller.messages.events import (
    BadInput,
    Event,
    GuardRefused,
    LinkDown,
    LinkUp,
    RepetitionSeen,
    Requested,
    RigLost,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.regulation.transitions import TRANSITIONS, Trigger
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.rig_messages import Refusal, RepetitionOutcome, RigEventKind
from ebbset.rig.description import RigLimits
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor
from ebbset.simulators.rig.defects import Defect
from ebbset.simulators.rig.firmware import RigFirmware
from tests.support.kinematic_rig import POLICIES, KinematicRig

ORDERS: list[Prescription] = [
    example(),
    example(
        load={"start_n": 500.0, "floor_n": 100.0, "ramp_n_per_s": 400.0, "cables": "independent"},
        drop={"policy": "force_at_stall"},
        budget={"capacity_loss": 0.4},
    ),
    example(
        bouts=(
            {"repetitions": 2},
            {"rest_before_s": 0.5, "load_n": 350.0, "on_stall": "end"},
            {"rest_before_s": 3.0},
        ),
        drop={"policy": "fixed_step", "parameters": {"step_n": 40.0}},
    ),
    example(
        load={"start_n": 200.0, "floor_n": 200.0},
        stall={"dwell_s": 0.02},
        safety={"lease_ms": 150, "telemetry_timeout_ms": 150},
    ),
    example(stop={"max_drops": 1, "max_pause_s": 2.0, "max_velocity_loss": 0.3, "max_left_right_difference": 0.1}),
]
BOOTS = st.sampled_from(["boot-0001", "boot-0001", "boot-0001", "boot-0002"])
WILD = st.sampled_from([math.nan, math.inf, -math.inf, -1.0, 0.0, 1e9, 5e-324])


class WatchedRig(KinematicRig):
    """The kinematic rig with every input logged and every output judged."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.monitor = InvariantMonitor()
        self.log: list[tuple[Event, tuple[Output, ...]]] = []
        self.last_frame: Samples | None = None
        self.rig_seq = 0

    def send(self, event: Any) -> tuple[Output, ...]:
        out = super().send(event)
        # A rig that announced another number of cables is told so many loads; this one keeps its own.
        self.target = (self.target * 2)[: self.cables]
        self.monitor.step(event, out)
        self.log.append((event, out))
        if isinstance(event, Samples):
            self.last_frame = event
        return out

    def ack(self, command: Command | None, **changes: Any) -> None:
        nonce, seq = (command.nonce, command.seq) if command is not None else ("nonce-none", 0)
        self.send(self.acknowledgement(nonce, seq, **changes))

    def answer_new_commands(self, since: int) -> None:
        for command in self.commands[since:]:
            assert isinstance(command, SendArm | SendLoad | SendUnload | SendRelease)
            self.ack(command)


DISTURBANCES: dict[str, dict[str, st.SearchStrategy[Any]]] = {}


def disturbance(**strategies: st.SearchStrategy[Any]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A method that does something unwelcome, with arguments drawn from these strategies."""

    def enter(method: Callable[..., None]) -> Callable[..., None]:
        DISTURBANCES[method.__name__] = strategies
        return method

    return enter


_REFUSED = Trigger.GUARD_REFUSED
LEADS_TO = {
    state: {after for (one, _), (_, leads) in TRANSITIONS.items() if one is state for after in leads} for state in State
}


class ControllerMachine(RuleBasedStateMachine):
    """Whatever happens in whatever order, the monitor finds nothing."""

    @initialize(
        order=st.sampled_from(ORDERS),
        cables=st.sampled_from([1, 2]),
        lifts=st.lists(st.floats(80, 600), min_size=1, max_size=6),
        frames=st.booleans(),
    )
    def begin(self, order: Prescription, cables: int, lifts: list[float], frames: bool) -> None:
        self.rig = WatchedRig(prescription=order, cables=cables, lifts_n=lifts, weaker_side=0.8)
        self.rig.silent = not frames
        self.back_us = 0
        self.online()

    def online(self) -> None:
        self.rig.send(LinkUp(now_us=self.rig.now_us))
        telemetry = "repetitions" if self.rig.silent else "frames"
        self.rig.send(self.rig.identity(telemetry=telemetry))
        self.run(0.1)

    def run(self, seconds: float) -> None:
        """Let time go by; a rig without frames is heard by its answers to commands."""
        for _ in range(round(seconds / 0.05)):
            since = len(self.rig.commands)
            self.rig.frame()
            if self.rig.silent:
                self.rig.answer_new_commands(since)

    @rule(seconds=st.sampled_from([0.05, 0.5, 2.0, 6.0]), again=st.sampled_from([True, True, False]))
    def time_goes_by(self, seconds: float, again: bool) -> None:
        """Between disturbances a set runs, so that they meet it in every state."""
        if again and self.rig.controller.state is State.OFFLINE:
            self.online()
        if again and self.rig.controller.state in (State.IDLE, State.ENDED):
            self.a_set_begins()
        self.run(seconds)

    @rule(data=st.data(), name=st.deferred(lambda: st.sampled_from(sorted(DISTURBANCES))))
    def something_disturbs(self, data: st.DataObject, name: str) -> None:
        drawn = {key: data.draw(strategy, label=key) for key, strategy in DISTURBANCES[name].items()}
        getattr(self, name)(**drawn)

    def a_set_begins(self) -> None:
        self.rig.ask(RequestAction.ARM)
        self.rig.answer_new_commands(max(0, len(self.rig.commands) - 1))
        self.run(0.2)
        since = len(self.rig.commands)
        self.rig.ask(RequestAction.START)
        if self.rig.silent:
            self.rig.answer_new_commands(since)
        self.run(2.5)

    @disturbance(
        action=st.sampled_from(list(RequestAction)), shown=st.booleans(), again=st.booleans(), bare=st.booleans()
    )
    def somebody_asks(self, action: RequestAction, shown: bool, again: bool, bare: bool) -> None:
        changes: dict[str, Any] = {}
        if action is RequestAction.ARM:
            changes = {"cautions_shown": shown}
            if again and self.rig.nonce is not None:
                changes["fresh_nonce"] = self.rig.nonce
            if bare:
                changes["prescription"] = None
        self.rig.ask(action, **changes)

    @disturbance(kind=st.sampled_from(list(RigEventKind)), boot=BOOTS, off_us=st.integers(-500_000, 500_000))
    def the_rig_reports(self, kind: RigEventKind, boot: str, off_us: int) -> None:
        self.rig.rig_seq += 1
        self.rig.send(
            RigReported(
                now_us=self.rig.now_us,
                boot_id=boot,
                seq=self.rig.rig_seq,
                t_us=self.rig.rig_us + off_us,
                kind=kind,
                detail="d",
            )
        )

    @disturbance(
        boot=BOOTS,
        max_load=st.sampled_from([1_500.0, 1_500.0, 150.0]),
        ramp=st.sampled_from([2_000.0, 50.0]),
        cables=st.sampled_from([0, 0, 1]),
    )
    def the_rig_announces(self, boot: str, max_load: float, ramp: float, cables: int) -> None:
        self.rig.send(
            self.rig.identity(
                boot_id=boot,
                max_load_n=max_load,
                max_ramp_n_per_s=ramp,
                cables=self.rig.cables if cables == 0 else 3 - self.rig.cables,
                telemetry="repetitions" if self.rig.silent else "frames",
            )
        )

    @disturbance(back=st.booleans(), down=st.sampled_from([LinkDown, RigLost]))
    def the_link_or_rig_goes(self, back: bool, down: type[LinkDown | RigLost]) -> None:
        self.rig.send(down(now_us=self.rig.now_us))
        if back:
            self.online()

    @disturbance(seconds=st.sampled_from([0.1, 0.3, 1.0]))
    def telemetry_is_missing(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.02)):
            self.rig.now_us += 20_000
            self.rig.rig_us += 20_000
            self.rig.send(Tick(now_us=self.rig.now_us))

    @disturbance(
        what=st.sampled_from(["again", "old", "early", "boot", "nonce", "cables", "wild", "dock", "applied", "empty"]),
        wild=WILD,
        column=st.sampled_from(["position_m", "velocity_m_s", "force_n"]),
    )
    def a_bad_frame_comes(self, what: str, wild: float, column: str) -> None:
        frame = self.rig.last_frame
        if frame is None:
            return
        later = dataclasses.replace(
            frame, now_us=self.rig.now_us, seq=frame.seq + 1, t_us=tuple(t + 1 for t in frame.t_us)
        )
        columns = ((wild,) * len(frame.t_us),) * self.rig.cables
        bad: dict[str, Samples] = {
            "again": dataclasses.replace(frame, now_us=self.rig.now_us),
            "old": dataclasses.replace(later, t_us=tuple(t - 3_000_000 for t in frame.t_us)),
            "early": dataclasses.replace(later, seq=0, t_us=tuple(t + 60_000 for t in frame.t_us)),
            "boot": dataclasses.replace(later, boot_id="boot-0003"),
            "nonce": dataclasses.replace(later, nonce="nonce-foreign"),
            "cables": dataclasses.replace(later, position_m=frame.position_m + frame.position_m),
            "wild": dataclasses.replace(
                later,
                t_us=tuple(t + 50_000 for t in frame.t_us),
                **{column: columns},  # type: ignore[arg-type]
            ),
            "dock": dataclasses.replace(later, docked=not frame.docked),
            "applied": dataclasses.replace(later, applied_n=(wild,) * self.rig.cables),
            "empty": dataclasses.replace(later, t_us=()),
        }
        self.rig.send(bad[what])

    @disturbance(
        accepted=st.booleans(), refusal=st.sampled_from(list(Refusal)), boot=BOOTS, off_us=st.sampled_from([0, -900])
    )
    def an_ack_comes(self, accepted: bool, refusal: Refusal, boot: str, off_us: int) -> None:
        command = self.rig.commands[-1] if self.rig.commands else None
        self.rig.ack(
            command,
            accepted=accepted,
            refusal=None if accepted else refusal,
            boot_id=boot,
            t_us=self.rig.rig_us + off_us,
        )

    @disturbance(
        outcome=st.sampled_from(list(RepetitionOutcome)), boot=BOOTS, docked=st.booleans(), velocity=st.floats(0, 2)
    )
    def a_summary_comes(self, outcome: RepetitionOutcome, boot: str, docked: bool, velocity: float) -> None:
        self.rig.rig_seq += 1
        n = self.rig.cables
        self.rig.send(
            RepetitionSeen(
                now_us=self.rig.now_us,
                boot_id=boot,
                seq=self.rig.rig_seq,
                nonce=self.rig.nonce,
                docked=docked,
                applied_n=tuple(self.rig.applied),
                t_start_us=self.rig.rig_us - 900_000,
                t_end_us=self.rig.rig_us,
                outcome=outcome,
                rom_m=(0.5,) * n,
                mean_velocity_m_s=(velocity,) * n,
                peak_velocity_m_s=(2 * velocity,) * n,
                mean_force_n=(None,) * n,
            )
        )

    @disturbance()
    def something_that_is_no_message_comes(self) -> None:
        self.rig.send(BadInput(now_us=self.rig.now_us, topic="rig/frame", code="not_json", detail="d"))

    @disturbance()
    def a_refusal_of_the_guard_is_fed_in(self) -> None:
        self.rig.send(GuardRefused(now_us=self.rig.now_us, rule="test", detail="d"))

    @disturbance(back_us=st.sampled_from([1, 80_000, 10_000_000]))
    def the_clock_goes_back(self, back_us: int) -> None:
        self.back_us += back_us
        self.rig.now_us = max(0, self.rig.now_us - back_us)
        self.rig.send(Tick(now_us=self.rig.now_us))

    @invariant()
    def nothing_is_broken(self) -> None:
        if hasattr(self, "rig"):
            # A clock of ours that goes far back is a defect in itself: the guard may, and must, refuse by it.
            excused = "clock: now_us went back" if self.back_us > 100_000 else "never"
            breaches = [breach for breach in self.rig.monitor.breaches if excused not in breach.detail]
            assert not breaches, breaches

    def teardown(self) -> None:
        """Invariant 8: the same inputs give the same outputs, to the bit. And no state but by the table is reached."""
        if hasattr(self, "rig"):
            fresh = SetController(POLICIES)
            for event, out in self.rig.log:
                before = fresh.state
                assert repr(fresh.handle(event)) == repr(out)
                # A command that the guard refuses is a second input for the regulator within the same event.
                refused = {after for one in LEADS_TO[before] for after in TRANSITIONS[one, _REFUSED].may_lead_to}
                assert fresh.state in LEADS_TO[before] | refused
                assert not any(isinstance(item, Decision) and item.reason is Reason.DEFECT for item in out)


class GuardMachine(RuleBasedStateMachine):
    """Commands of every kind, near the limits and far off; what passes keeps every invariant."""

    @initialize(order=st.sampled_from(ORDERS), cables=st.sampled_from([1, 2]))
    def begin(self, order: Prescription, cables: int) -> None:
        self.rig = KinematicRig(prescription=order, cables=cables)
        self.guard = Guard()
        self.monitor = InvariantMonitor()
        self.order = order
        self.nonce = "nonce-0000"
        self.arms = 0
        self.seq = 0
        self.event: Event = LinkUp(now_us=self.rig.now_us)
        self.see(self.event)
        self.see(self.rig.identity())

    def see(self, event: Event) -> None:
        self.event = event
        self.guard.observe(event)
        self.monitor.step(event, ())

    def put(self, command: Command) -> bool:
        passed = self.guard.check(command, self.rig.now_us) is None
        # the monitor saw the event already; seeing it twice changes nothing but for requests to stop, which latch
        if passed:
            self.monitor.step(self.event, (command,))
        return passed

    @rule(docked=st.booleans(), gap_us=st.sampled_from([50_000, 50_000, 240_000, 400_000, 4_000_000]))
    def a_frame(self, docked: bool, gap_us: int) -> None:
        self.rig.now_us += gap_us
        self.rig.rig_us += gap_us
        self.rig.seq += 1
        n = self.rig.cables
        self.see(
            Samples(
                now_us=self.rig.now_us,
                boot_id="boot-0001",
                seq=self.rig.seq,
                nonce=self.nonce,
                docked=docked,
                applied_n=(0.0,) * n,
                t_us=(self.rig.rig_us - 10_000, self.rig.rig_us),
                position_m=((0.2, 0.2),) * n,
                velocity_m_s=((0.0, 0.0),) * n,
                force_n=((0.0, 0.0),) * n,
            )
        )

    @rule(gap_us=st.sampled_from([20_000, 100_000, 600_000]))
    def a_tick(self, gap_us: int) -> None:
        self.rig.now_us += gap_us
        self.see(Tick(now_us=self.rig.now_us))

    @rule(
        action=st.sampled_from([RequestAction.ARM, RequestAction.ARM, RequestAction.START, RequestAction.STOP]),
        shown=st.sampled_from([True, True, False]),
    )
    def somebody_asks(self, action: RequestAction, shown: bool) -> None:
        self.arms += 1
        nonce = f"nonce-{self.arms:04d}"
        self.see(
            Requested(
                now_us=self.rig.now_us,
                correlation_id="c" * 8,
                action=action,
                operator="op",
                cautions_shown=shown,
                arming=self.nonce if action is RequestAction.START else None,
                fresh_nonce=nonce if action is RequestAction.ARM else None,
                prescription=self.order if action is RequestAction.ARM else None,
            )
        )
        if action is RequestAction.ARM and self.put(self.arm_command(nonce)):
            self.nonce, self.seq = nonce, 1

    def arm_command(self, nonce: str) -> SendArm:
        n, load = self.rig.cables, self.order.load
        return SendArm(
            nonce=nonce,
            seq=1,
            ceiling_n=(load.start_n,) * n,
            floor_n=(load.floor_n,) * n,
            max_ramp_n_per_s=load.ramp_n_per_s,
            lease_ms=self.order.safety.lease_ms,
        )

    @rule(
        fractions=st.tuples(st.floats(-0.1, 1.3), st.floats(-0.1, 1.3)),
        same=st.booleans(),
        ramp=st.sampled_from([1.0, 1.0, 1.01, 0.0, math.nan]),
        lease=st.sampled_from([1.0, 1.0, 0.5, 1.1]),
        off_us=st.sampled_from([0, 0, 0, -10_000, 10_000]),
        step=st.sampled_from([1, 1, 0]),
        wild=st.one_of(st.none(), st.none(), st.none(), WILD),
        nonce=st.sampled_from(["", "", "", "nonce-0000"]),
    )
    def a_load(
        self,
        fractions: tuple[float, float],
        same: bool,
        ramp: float,
        lease: float,
        off_us: int,
        step: int,
        wild: float | None,
        nonce: str,
    ) -> None:
        self.seq += step
        loads = [fraction * self.order.load.start_n for fraction in fractions[: self.rig.cables]]
        if same:
            loads = [max(self.order.load.floor_n, min(self.order.load.start_n, max(loads)))] * len(loads)
        if wild is not None:
            loads[-1] = wild
        self.put(
            SendLoad(
                nonce=nonce or self.nonce,
                seq=self.seq,
                target_n=tuple(loads),
                ramp_n_per_s=ramp * self.order.load.ramp_n_per_s,
                lease_ms=int(lease * self.order.safety.lease_ms),
                cites_t_us=self.rig.rig_us + off_us,
            )
        )

    @rule(nonce=st.sampled_from(["", "nonce-foreign"]), ramp=st.sampled_from([10.0, 300.0]))
    def an_unload(self, nonce: str, ramp: float) -> None:
        self.seq += 1
        assert self.put(SendUnload(nonce=nonce or self.nonce, seq=self.seq, ramp_n_per_s=ramp))

    @rule()
    def a_release(self) -> None:
        assert self.put(SendRelease(nonce=self.nonce, seq=0))

    @rule(kind=st.sampled_from(list(RigEventKind)))
    def the_rig_reports(self, kind: RigEventKind) -> None:
        self.see(
            RigReported(now_us=self.rig.now_us, boot_id="boot-0001", seq=1, t_us=self.rig.rig_us, kind=kind, detail="")
        )

    @rule(boot=BOOTS, max_load=st.sampled_from([1_500.0, 450.0]))
    def the_rig_announces(self, boot: str, max_load: float) -> None:
        self.see(self.rig.identity(boot_id=boot, max_load_n=max_load))

    @rule()
    def the_link_breaks(self) -> None:
        self.see(LinkDown(now_us=self.rig.now_us))
        self.see(self.rig.identity())

    @invariant()
    def nothing_is_broken(self) -> None:
        if hasattr(self, "monitor"):
            assert self.monitor.breaches == []


_SETTINGS = settings(
    deadline=None,
    stateful_step_count=40,
    phases=[Phase.reuse, Phase.generate, Phase.shrink],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
TestController = ControllerMachine.TestCase
TestController.settings = settings(_SETTINGS, max_examples=150)
TestGuard = GuardMachine.TestCase
TestGuard.settings = settings(_SETTINGS, max_examples=200)


def test_the_machines_reach_loads_and_the_witness_counts_them() -> None:
    """Guards against machines that silently test nothing: the plain path of each ends in loads that were judged."""
    machine = ControllerMachine()
    machine.begin(ORDERS[0], 1, [450.0, 300.0], True)
    machine.a_set_begins()
    machine.time_goes_by(4.0, False)
    assert machine.rig.monitor.loads_seen > 10
    assert machine.rig.monitor.breaches == []
    silent = ControllerMachine()
    silent.begin(ORDERS[0], 1, [450.0], False)
    silent.a_set_begins()
    assert silent.rig.monitor.loads_seen > 10
    guard = GuardMachine()
    guard.begin(ORDERS[0], 1)
    guard.a_frame(True, 50_000)
    guard.somebody_asks(RequestAction.ARM, True)
    guard.somebody_asks(RequestAction.START, True)
    guard.a_load((1.0, 1.0), True, 1.0, 1.0, 0, 1, None, "")
    assert guard.monitor.loads_seen == 1


def test_the_witness_sees_each_promise_broken() -> None:
    """The judge itself: one wrong command after a right beginning, one breach of the right number."""

    def started() -> tuple[KinematicRig, InvariantMonitor, SendLoad]:
        machine = GuardMachine()
        machine.begin(ORDERS[0], 1)
        machine.a_frame(True, 50_000)
        machine.somebody_asks(RequestAction.ARM, True)
        machine.somebody_asks(RequestAction.START, True)
        machine.a_load((0.9, 0.9), True, 1.0, 1.0, 0, 1, None, "")
        assert machine.monitor.breaches == []
        load_n = 0.9 * ORDERS[0].load.start_n
        good = SendLoad(
            nonce=machine.nonce,
            seq=9,
            target_n=(load_n,),
            ramp_n_per_s=300.0,
            lease_ms=600,
            cites_t_us=machine.rig.rig_us,
        )
        return machine.rig, machine.monitor, good

    for changes, number in (
        ({}, None),
        ({"target_n": (401.0,)}, 1),
        ({"target_n": (399.0,)}, 2),
        ({"target_n": (119.0,)}, 3),
        ({"target_n": (math.nan,)}, 3),
        ({"ramp_n_per_s": 301.0}, 4),
        ({"cites_t_us": 1}, 5),
        ({"nonce": "nonce-foreign"}, 6),
    ):
        rig, monitor, good = started()
        monitor.step(Tick(now_us=rig.now_us), (dataclasses.replace(good, **changes),))
        found = {breach.invariant for breach in monitor.breaches}
        assert (number in found) if number is not None else not found
    rig, monitor, good = started()
    monitor.step(Tick(now_us=rig.now_us + 250_001), (good,))
    assert {breach.invariant for breach in monitor.breaches} == {5}
    rig, monitor, good = started()
    monitor.step(LinkDown(now_us=rig.now_us), (good,))
    assert 6 in {breach.invariant for breach in monitor.breaches}


@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from(["arm", "load", "unload", "release", "stop", "reset", "time"]),
            st.integers(0, 3),
            st.floats(0, 700),
            st.integers(0, 900_000),
            st.booleans(),
        ),
        max_size=30,
    )
)
@settings(deadline=None, max_examples=150)
def test_a_rig_left_alone_unloads_within_one_lease(steps: list[tuple[str, int, float, int, bool]]) -> None:
    """Invariant 7, at the rig: whatever was commanded before, silence unloads it."""
    assert _loaded_after_silence(steps, defect=None) is False


def test_a_rig_whose_lease_never_expires_is_found_by_the_same_property() -> None:
    steps = [("arm", 1, 500.0, 0, True), ("load", 1, 400.0, 0, True)]
    assert _loaded_after_silence(steps, defect=Defect.LEASE_NEVER_EXPIRES) is True


def _loaded_after_silence(steps: list[tuple[str, int, float, int, bool]], *, defect: Defect | None) -> bool:
    firmware = RigFirmware(RigLimits(), boot_id="boot-0001", defect=defect)
    t_us = 1_000_000
    still: dict[str, Any] = {"applied_n": (0.0,), "position_m": (0.1,), "velocity_m_s": (0.0,)}
    for seq, (what, nonce, load_n, gap_us, docked) in enumerate(steps, start=1):
        name = f"nonce-000{nonce}"
        command: Command | None = None
        if what == "arm":
            command = SendArm(
                nonce=name, seq=seq, ceiling_n=(500.0,), floor_n=(100.0,), max_ramp_n_per_s=300.0, lease_ms=600
            )
        elif what == "load":
            command = SendLoad(
                nonce=name, seq=seq, target_n=(load_n,), ramp_n_per_s=300.0, lease_ms=600, cites_t_us=t_us
            )
        elif what == "unload":
            command = SendUnload(nonce=name, seq=seq, ramp_n_per_s=300.0)
        elif what == "release":
            command = SendRelease(nonce=name, seq=seq)
        elif what == "stop":
            firmware.press_emergency_stop(t_us)
        elif what == "reset":
            firmware.reset_emergency_stop()
        if command is not None:
            firmware.handle_command(command, t_us=t_us, docked=docked, applied_n=(0.0,))
        t_us += gap_us
        firmware.tick(t_us=t_us, docked=docked, **still)
    t_us += RigLimits().max_lease_ms * 1_000
    firmware.tick(t_us=t_us, docked=True, **still)
    return max(firmware.target_n) > 0.0
