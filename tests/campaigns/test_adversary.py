"""The short form of the adversarial campaign: the harness tells the truth about stand-ins, and the real controller.

The stand-ins look at the scripted lifter, which no controller can: one knows everything, one never drops, one drops
without a reason. What the harness says of them is known beforehand.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from campaigns.adversary import __main__ as command
from campaigns.adversary.bench_press import bench_press_set
from campaigns.adversary.campaign import BENCH_PRESS, NAMES, Item, Row, Totals, drive, items, run, total
from campaigns.adversary.families import FAMILIES
from campaigns.adversary.lifter import PlannedRepetition, Script, ScriptedLifter
from campaigns.adversary.rig import Controller
from campaigns.adversary.targets import TARGETS, missed_targets
from ebbset.controller.messages.actions import Decision, Output, SendArm, SendLoad, SendRelease, SendUnload, SetResult
from ebbset.controller.messages.events import Event, Requested, RigAnnounced, Samples
from ebbset.controller.messages.reasons import Reason, State
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription

SEED = 7
EACH = 2


class StandIn:
    """Knows the lifter; arms, loads, counts and ends by the truth. How it drops is its subclasses' business."""

    def __init__(self, lifter: ScriptedLifter) -> None:
        self.lifter = lifter
        self.order: Prescription | None = None
        self.nonce = ""
        self.target: tuple[float, ...] = ()
        self.seq = self.decisions = self.cables = 0
        self.cites_us = self.sent_us = self.quiet_us = self.began_us = 0
        self.over = False

    def handle(self, event: Event) -> tuple[Output, ...]:
        if isinstance(event, RigAnnounced):
            self.cables = event.cables
        if isinstance(event, Requested) and event.prescription is not None:
            self.order, self.nonce = event.prescription, event.fresh_nonce or ""
            self.target = (event.prescription.load.start_n,) * self.cables
            return (self._arm(event.prescription),)
        if isinstance(event, Requested) and event.action is RequestAction.START:
            self.began_us = event.now_us
            return (self._load(event.now_us),)
        if isinstance(event, Samples):
            self.cites_us = event.t_us[-1]
            if self.order is not None and self.began_us and not self.over:
                return self._work(self.order, event)
        return ()

    def drop(self, order: Prescription, now_us: int) -> tuple[Reason, float] | None:
        """Why to drop now, and to which load."""
        del order, now_us
        return None

    def _work(self, order: Prescription, event: Samples) -> tuple[Output, ...]:
        now_us, lifter = event.now_us, self.lifter
        if order.stop.max_repetitions is not None and lifter.completed >= order.stop.max_repetitions:
            return self._end(order, Reason.REPETITIONS_DONE, now_us)
        if not (lifter.done and lifter.docked):
            self.quiet_us = now_us
        elif now_us - self.quiet_us > 1_000_000:
            return self._end(order, Reason.PAUSE_TOO_LONG, now_us)
        wanted = self.drop(order, now_us)
        if wanted is not None:
            reason, load_n = wanted
            if max(self.target) <= order.load.floor_n:
                return self._end(order, Reason.FLOOR_FAILED, now_us)
            before, self.target = self.target, (max(order.load.floor_n, load_n),) * self.cables
            return (self._load(now_us), self._decision("drop", reason, now_us, before))
        return (self._load(now_us),) if now_us - self.sent_us > 100_000 else ()

    def _next(self) -> int:
        self.seq += 1
        return self.seq

    def _arm(self, order: Prescription) -> SendArm:
        load, n = order.load, self.cables
        return SendArm(
            nonce=self.nonce,
            seq=self._next(),
            ceiling_n=(load.start_n,) * n,
            floor_n=(load.floor_n,) * n,
            max_ramp_n_per_s=load.ramp_n_per_s,
            lease_ms=order.safety.lease_ms,
        )

    def _load(self, now_us: int) -> SendLoad:
        assert self.order is not None
        self.sent_us = now_us
        return SendLoad(
            nonce=self.nonce,
            seq=self._next(),
            target_n=self.target,
            ramp_n_per_s=self.order.load.ramp_n_per_s,
            lease_ms=self.order.safety.lease_ms,
            cites_t_us=self.cites_us,
        )

    def _decision(self, action: str, reason: Reason, now_us: int, before: tuple[float, ...]) -> Decision:
        self.decisions += 1
        return Decision(
            seq=self.decisions,
            nonce=self.nonce,
            now_us=now_us,
            t_rig_us=self.cites_us,
            state=State.WORKING,
            action=action,
            reason=reason,
            text="",
            cable=None,
            from_n=before,
            to_n=self.target,
            repetition=self.lifter.completed,
            inputs=(),
            thresholds=(),
            limited_by=(),
        )

    def _end(self, order: Prescription, reason: Reason, now_us: int) -> tuple[Output, ...]:
        self.over = True
        last, self.target = self.target, (0.0,) * self.cables
        result = SetResult(
            nonce=self.nonce,
            prescription=order.name,
            prescription_hash=order.digest(),
            reason=reason,
            text="",
            repetitions=self.lifter.completed,
            drops=self.decisions,
            bouts=1,
            duration_s=(now_us - self.began_us) / 1e6,
            final_load_n=last,
            budget_spent=None,
            refused_inputs=0,
            guard_refusals=0,
        )
        unload = SendUnload(nonce=self.nonce, seq=self._next(), ramp_n_per_s=order.load.ramp_n_per_s)
        release = SendRelease(nonce=self.nonce, seq=self._next())
        return (unload, self._decision("end", reason, now_us, last), release, result)


class Oracle(StandIn):
    """Drops as soon as motion has ended, to what the lifter can move."""

    def drop(self, order: Prescription, now_us: int) -> tuple[Reason, float] | None:
        del order, now_us
        lifter = self.lifter
        if lifter.too_heavy(self.target) and lifter.attempts[-1].ended_s is not None:
            return Reason.STALL_IN_CONCENTRIC, 0.97 * lifter.capacity_n
        return None


class Nervous(StandIn):
    """Drops every three seconds, whatever happens."""

    last_us = 0

    def drop(self, order: Prescription, now_us: int) -> tuple[Reason, float] | None:
        if now_us - max(self.last_us, self.began_us) < 3_000_000 or max(self.target) <= order.load.floor_n:
            return None
        self.last_us = now_us
        return Reason.FAILED_START, 0.95 * max(self.target)


class Miscounting(Oracle):
    """The oracle, but one repetition too many in its account."""

    def handle(self, event: Event) -> tuple[Output, ...]:
        out = super().handle(event)
        return tuple(replace(o, repetitions=o.repetitions + 1) if isinstance(o, SetResult) else o for o in out)


def driven(factory: Callable[[ScriptedLifter], Controller], each: int = EACH) -> list[Row]:
    return [drive(Item(family=name, index=k, seed=SEED), factory) for name in FAMILIES for k in range(each)]


def test_a_controller_that_knows_the_truth_scores_perfectly() -> None:
    rows = driven(Oracle)
    found = total(rows)
    everything = found["all"]
    assert everything.failures > 0
    assert everything.healthy > 0
    assert missed_targets(found) == []
    assert (everything.false_drops, everything.wrong_counts, everything.wrong_ends) == (0, 0, 0), everything.causes
    worst = everything.seen_s(1.0)
    assert worst is not None
    # from the last fast moment to the first frame after the handle stood: a frame and the slowing itself
    assert worst < 0.35


def test_a_controller_that_never_drops_misses_every_failure() -> None:
    found = total(driven(StandIn))["all"]
    assert found.failures > 10
    assert found.unseen == found.failures
    assert found.never_seen > 0
    assert found.seen_after_s == []
    assert (found.false_drops, found.healthy_wrong, found.breaches) == (0, 0, [])


def test_drops_without_a_reason_are_false_and_a_wrong_account_is_reported() -> None:
    nervous = total(driven(Nervous, 1))["all"]
    assert nervous.healthy_wrong == nervous.healthy > 0
    assert nervous.false_drops >= 2 * nervous.healthy
    counted = total(driven(Miscounting, 1))["all"]
    assert counted.wrong_counts == counted.sets
    assert counted.false_drops == 0


def test_the_real_controller_keeps_its_invariants_in_every_family() -> None:
    rows = list(run([item for name in NAMES for item in items(2, SEED, name)]))
    found = total(rows)
    assert list(found) == [*NAMES, "all"]
    assert found["all"].sets == 2 * len(NAMES)
    assert found["all"].breaches == []
    assert found["all"].failures > 0
    assert all(row.verdict.reason != "none" for row in rows)


def test_first_ascents_take_ups_short_ranges_and_healthy_sets_meet_their_targets() -> None:
    families = ("first_ascent", "out_of_dock", "take_up", "short_rom", "healthy", "tempo")
    found = total(list(run([item for name in families for item in items(8, SEED, name)])))
    assert missed_targets(found) == []
    assert found["all"].failures > 20
    assert found["all"].healthy > 20
    assert found["all"].false_drops <= 1


def test_the_same_seed_gives_the_same_set_and_another_gives_another() -> None:
    for name in ("everything", "two_cables"):
        one, again = (drive(Item(family=name, index=3, seed=1)) for _ in range(2))
        assert one == again
        first: list[str] = []
        other: list[str] = []
        for seed, lines in ((1, first), (2, other)):
            drive(Item(family=name, index=3, seed=seed), trace=lines.append)
        assert first != other


def test_what_was_asked_for_is_what_is_asserted_later() -> None:
    assert TARGETS.healthy_wrong_part == 0.01
    assert TARGETS.unseen_failures == 0
    assert TARGETS.bench_press_seen_after_s == 1.0
    late = Totals(sets=1, failures=1, first_after_s=[1.2])
    wrong = Totals(sets=100, healthy=100, healthy_wrong=2, failures=3, unseen=1, breaches=["one"])
    assert len(missed_targets({BENCH_PRESS: late})) == 1
    assert len(missed_targets({"healthy": wrong})) == 3
    assert missed_targets({"healthy": Totals(sets=100, healthy=100, healthy_wrong=1)}) == []


def test_a_lifter_who_cannot_move_the_load_stops_where_it_says_and_goes_on_once_it_is_less() -> None:
    plan = PlannedRepetition(rom_m=0.5, capacity_n=100.0, sticks_at=0.6, velocity_m_s=0.4)
    lifter = ScriptedLifter(Script(repetitions=(plan,), take_up_m=0.2, fight_s=5.0), 0.1, ready_s=0.2)
    for _ in range(800):
        lifter.step(0.005, (120.0,), (120.0,))
    attempt = lifter.attempts[0]
    assert lifter.x == pytest.approx(0.1 + 0.2 + 0.6 * 0.5, abs=0.005)
    assert attempt.ended_s is not None
    assert attempt.completed_s is None
    for _ in range(600):
        lifter.step(0.005, (90.0,), (90.0,))
    assert lifter.completed == 1
    assert attempt.completed_s is not None
    assert attempt.completed_s > attempt.ended_s


def test_the_bench_press_finds_failures_at_a_load_that_nobody_lifts() -> None:
    verdict, lines = bench_press_set(1.2, np.random.SeedSequence(SEED))
    assert verdict.failures > 0
    assert verdict.breaches == []
    assert any("truth" in line for line in lines)


def test_the_command_prints_the_table_and_writes_every_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "figures.json"
    monkeypatch.setattr("sys.argv", ["adversary", "--sets", "2", "--family", "healthy", "--json", str(path)])
    told = command.main()
    written = json.loads(path.read_text(encoding="utf-8"))
    assert len(written["sets"]) == 2
    assert written["totals"]["healthy"]["sets"] == 2
    out = capsys.readouterr().out
    assert "| healthy | 2 | 2 |" in out
    assert told == (1 if "not met" in out else 0)
    monkeypatch.setattr("sys.argv", ["adversary", "--family", "healthy", "--index", "1"])
    assert command.main() == 0
    assert "truth: " in capsys.readouterr().out
