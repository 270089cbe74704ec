"""One armed set as the regulator carries it: the prescription, its cables and what was sent; and where it stands.

Bookkeeping only; decisions about it are taken in `regulator`, `bout` and `stop_rules`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import ceil
from typing import Final, Literal

from ebbset.controller.detection.evidence.habit_figures import SHIPPED, HabitFigures
from ebbset.controller.detection.sides import Difference, SidePairs
from ebbset.controller.detection.signals import RepetitionEnded, Signal, StallSeen
from ebbset.controller.estimation.carried_state import is_sound_state
from ebbset.controller.estimation.judgement import Judgement
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.controller.messages.events import EarlierSet, RepetitionSeen, Requested
from ebbset.controller.messages.reasons import Reason, State
from ebbset.controller.policies.policy import DropPolicy, PolicyFactory
from ebbset.controller.regulation.cable import Cable
from ebbset.controller.regulation.rig_facts import RigFacts, allowed_difference_n
from ebbset.controller.regulation.stop_rules import SideStrikes
from ebbset.models.contract.constants import RENEWALS_PER_LEASE
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RepetitionOutcome

SETTLE_S: Final = 0.25
LONGEST_CARRIED_US: Final = 1_800_000_000
"""After half an hour the estimate of what is left of a set is worth no more than the profile."""
SETTLED_AFTER_US: Final = 750_000


@dataclass(slots=True)
class ArmedSet:
    """An armed set. Times are on the controller's clock except ``moved_t_us``, which is on the rig's.

    ``asked`` is the correlation id of the request to arm, which is answered when the rig has ``acknowledged`` it.
    ``repetitions`` counts completed ones, of the side that has fewer. ``stands`` says that the bout's load has come on;
    ``off_us`` is when the last load must have gone off, while none is commanded; ``ending_ramp_n_per_s`` is how fast it
    goes off for good, in every repeat of that command, and ``unloading_us`` how long that takes.
    """

    nonce: str
    prescription: Prescription
    digest: str
    policy: DropPolicy
    cables: tuple[Cable, ...]
    ramp_n_per_s: float
    fastest_ramp_n_per_s: float
    lease_ms: int
    armed_us: int
    lifter: tuple[str, str] | None
    silence_allowed_us: int
    coupled: bool
    renew_every_us: int
    asked: str
    off_us: int
    acknowledged: bool = False
    seq: int = 0
    sent_us: int = 0
    bout: int = 0
    drops: int = 0
    started_us: int = 0
    active_us: int = 0
    stands: bool = False
    rest_began_us: int = 0
    ending_us: int = 0
    ending_ramp_n_per_s: float = 0.0
    unloading_us: int = 0
    moved_t_us: int = -1
    moved_in_bout: bool = False
    repetitions: int = 0
    sides: SideStrikes = field(default_factory=SideStrikes)
    pairs: SidePairs = field(default_factory=SidePairs)
    bouts_begun: int = 0
    refused_inputs: int = 0
    guard_refusals: int = 0
    end_reason: Reason | None = None
    target_n: tuple[float, ...] = ()
    last_load_n: tuple[float, ...] = ()

    @classmethod
    def of(
        cls,
        request: Requested,
        rig: RigFacts,
        policies: Mapping[str, PolicyFactory],
        judgement: Judgement = CURRENT,
        stall_figures: HabitFigures = SHIPPED,
    ) -> ArmedSet:
        """The set for a request to arm that `arming.refusal_to_arm` accepts.

        Args:
            request: a person's request with prescription, nonce and, if known, the lifter's profile.
            rig: as announced.
            policies: drop policies by name.
            judgement: how far estimates are trusted.
            stall_figures: what the stall rule "habits" was fitted to.

        Raises:
            ValueError: prescription, announcement or nonce is missing.
        """
        prescription, identity, nonce = request.prescription, rig.identity, request.fresh_nonce
        if prescription is None or identity is None or nonce is None:
            raise ValueError("an armed set needs a prescription, an announced rig and a nonce; arming checks for them")
        policy = policies[prescription.drop.policy].from_parameters(prescription.drop.parameters)
        cables = tuple(
            Cable(
                prescription,
                request.profile,
                has_force=identity.has_force,
                judgement=judgement,
                stall_figures=stall_figures,
            )
            for _ in range(identity.cables)
        )
        for cable in cables:
            cable.policy_state = policy.initial()
        lease_ms = min(prescription.safety.lease_ms, identity.max_lease_ms)
        # A rig without frames is heard when it acknowledges a renewal, so its silence may last as long as its lease.
        silence_allowed_ms = min(prescription.safety.telemetry_timeout_ms, lease_ms) if rig.by_frames else lease_ms
        ramp_n_per_s = min(prescription.load.ramp_n_per_s, identity.max_ramp_n_per_s)
        return cls(
            nonce=nonce,
            prescription=prescription,
            digest=prescription.digest(),
            policy=policy,
            cables=cables,
            ramp_n_per_s=ramp_n_per_s,
            fastest_ramp_n_per_s=identity.max_ramp_n_per_s,
            lease_ms=lease_ms,
            armed_us=request.now_us,
            lifter=None if request.profile is None else (request.profile.lifter, prescription.exercise),
            silence_allowed_us=silence_allowed_ms * 1_000,
            coupled=prescription.load.cables == "coupled",
            renew_every_us=lease_ms * 1_000 // RENEWALS_PER_LEASE,
            asked=request.correlation_id,
            off_us=request.now_us + _time_to_unload_us(rig.applied_n, ramp_n_per_s) + SETTLED_AFTER_US,
            target_n=(0.0,) * len(cables),
        )

    def left_behind(self) -> EarlierSet | None:
        """The lifter's state after this set; ``None`` while it runs, or if it is not known who lifts."""
        if self.lifter is None or self.ending_us <= 0:
            return None
        lifter, exercise = self.lifter
        states = tuple(cable.capacity.state() for cable in self.cables)
        return EarlierSet(lifter=lifter, exercise=exercise, ended_us=self.ending_us, cables=states)

    def take_over(self, before: EarlierSet | None) -> None:
        """The same person on the same exercise as in the set before: begin with the fatigue that is left.

        Who lifts is known from the profile alone; without one nothing is taken over.
        """
        if before is None or self.lifter != (before.lifter, before.exercise):
            return
        rest_us = self.armed_us - before.ended_us
        if not 0 <= rest_us <= LONGEST_CARRIED_US or len(before.cables) != len(self.cables):
            return
        if not all(map(is_sound_state, before.cables)):
            return
        for cable, state in zip(self.cables, before.cables, strict=True):
            cable.start_fatigued(state, rest_us / 1e6)

    @property
    def budget_spent(self) -> float | None:
        """Largest estimated loss of capacity over the cables."""
        spent = [cable.capacity.budget_spent for cable in self.cables]
        known = [value for value in spent if value is not None]
        return max(known) if known else None

    def per_cable(self, load_n: float) -> tuple[float, ...]:
        """The same load for each cable."""
        return (load_n,) * len(self.cables)

    def repetition_ended(self, k: int, ended: RepetitionEnded) -> None:
        """A concentric of cable ``k`` ended.

        Args:
            k: index of the cable.
            ended: what the segmenter, or the rig itself, saw of it.
        """
        stop = self.prescription.stop
        self.cables[k].repetition(ended, least_rom_fraction=stop.min_rom_fraction)
        self.repetitions = min([cable.counts.completed for cable in self.cables])
        if len(self.cables) == 2:
            self._compare_sides(self.pairs.ended(k, ended))

    def repetition_started(self, k: int, t_us: int) -> None:
        """A concentric of cable ``k`` began.

        Args:
            k: index of the cable.
            t_us: rig time at which it began.
        """
        self.moved_in_bout = True
        self.cables[k].began()
        if len(self.cables) == 2:
            self._compare_sides(self.pairs.started(k, t_us))

    def _compare_sides(self, difference: Difference | None) -> None:
        allowed = self.prescription.stop.max_left_right_difference
        if difference is not None and allowed is not None:
            self.sides.settle(difference, allowed)

    def drop(self, k: int, load_n: float, *, t_us: int, now_us: int, applied_n: tuple[float, ...]) -> None:
        """The load of a cable is commanded down, or that of both when they are coupled.

        Args:
            k: index of the cable that stalled.
            load_n: new load, newtons on this cable.
            t_us: time of the stall, rig clock in microseconds.
            now_us: controller's clock, microseconds.
            applied_n: what the rig says it applies, N per cable; more than the load while an earlier drop goes on.
        """
        dropping = range(len(self.cables)) if self.coupled else (k,)
        settle_s = max([self._comes_from_n(i, applied_n) - load_n for i in dropping]) / self.ramp_n_per_s
        self.drops += 1
        self.active_us = now_us
        for i in dropping:
            self.cables[i].settled_us = now_us + int(settle_s * 1e6) + SETTLED_AFTER_US
            self.cables[i].dropped(load_n, t_us=t_us, hold_s=settle_s + SETTLE_S)
        self.target_n = tuple([cable.load_n for cable in self.cables])

    def _comes_from_n(self, k: int, applied_n: tuple[float, ...]) -> float:
        load_n = self.cables[k].load_n
        return applied_n[k] if k < len(applied_n) and applied_n[k] > load_n + allowed_difference_n(load_n) else load_n

    def begin_bout(self, index: int, load_n: float, now_us: int) -> None:
        """A programmed load comes on.

        Args:
            index: of the bout.
            load_n: programmed load, newtons per cable.
            now_us: controller's clock, microseconds.
        """
        self.bout = index
        self.bouts_begun += 1
        self.moved_in_bout = False
        self.active_us = now_us
        self.stands = False
        self.pairs.restart()
        for cable in self.cables:
            cable.settled_us = now_us + int(load_n / self.ramp_n_per_s * 1e6) + SETTLED_AFTER_US
            cable.begin_bout(load_n)
        self.target_n = self.per_cable(load_n)

    def end_bout(self, now_us: int, *, applied_n: tuple[float, ...]) -> None:
        """The load goes off for a programmed rest.

        Args:
            now_us: controller's clock, microseconds.
            applied_n: what the rig says it applies, N per cable; empty while unknown.
        """
        self.rest_began_us = now_us
        self.off_us = now_us + _time_to_unload_us(self.target_n + applied_n, self.ramp_n_per_s) + SETTLED_AFTER_US
        self._unload()

    def ending(self, reason: Reason, now_us: int, *, applied_n: tuple[float, ...]) -> None:
        """The load goes off for good, as fast as the rig can when nobody is left under it.

        Args:
            reason: why the set ends.
            now_us: controller's clock, microseconds.
            applied_n: what the rig says it applies, N per cable; empty while unknown.
        """
        self.end_reason = reason
        let_go = reason is Reason.HANDLE_RELEASED
        self.ending_ramp_n_per_s = self.fastest_ramp_n_per_s if let_go else self.ramp_n_per_s
        self.ending_us = now_us
        self.unloading_us = _time_to_unload_us(self.target_n + applied_n, self.ending_ramp_n_per_s)
        self._unload()

    def _unload(self) -> None:
        if max(self.target_n) > 0.0:
            self.last_load_n = self.target_n
        for cable in self.cables:
            cable.load_n = 0.0
        self.target_n = self.per_cable(0.0)

    def signals_of(self, event: RepetitionSeen) -> Iterator[tuple[int, Signal]]:
        """What a rig's own summary means, as the segmenter would report it: each cable, then the stall if any."""
        for k, cable in enumerate(self.cables):
            yield (
                k,
                RepetitionEnded(
                    outcome=event.outcome,
                    t_start_us=event.t_start_us,
                    t_end_us=event.t_end_us,
                    rom_m=event.rom_m[k],
                    mean_velocity_m_s=event.mean_velocity_m_s[k],
                    peak_velocity_m_s=event.peak_velocity_m_s[k],
                    min_velocity_m_s=0.0 if event.outcome is RepetitionOutcome.FAILED else event.mean_velocity_m_s[k],
                    mean_force_n=event.mean_force_n[k],
                    load_changed=False,
                ),
            )
            force_n = event.mean_force_n[k]
            if force_n is not None and cable.ascent_force is not None:
                trouble = cable.ascent_force.ascent(event.t_end_us, force_n, event.applied_n[k])
                if trouble is not None:
                    yield k, trouble
        if event.outcome in (RepetitionOutcome.FAILED, RepetitionOutcome.NOT_STARTED):
            weakest = min(range(len(self.cables)), key=lambda k: (event.rom_m[k], event.mean_velocity_m_s[k]))
            yield (
                weakest,
                StallSeen(
                    reason=Reason.REPORTED_FAILURE,
                    t_us=event.t_end_us,
                    velocity_m_s=event.mean_velocity_m_s[weakest],
                    force_n=event.mean_force_n[weakest],
                    position_fraction=None,
                    duration_s=(event.t_end_us - event.t_start_us) / 1e6,
                    probability=1.0,
                ),
            )


@dataclass(frozen=True, slots=True)
class NoSet:
    """Nothing is armed."""

    state: Literal[State.OFFLINE, State.IDLE]


@dataclass(frozen=True, slots=True)
class LiveSet:
    """A set is armed, under way, or being unloaded."""

    state: Literal[State.ARMED, State.WORKING, State.RESTING, State.ENDING]
    armed: ArmedSet


@dataclass(frozen=True, slots=True)
class FinishedSet:
    """The set is over and the rig was released; its result can still be reported."""

    armed: ArmedSet
    state: Literal[State.ENDED] = State.ENDED


Position = NoSet | LiveSet | FinishedSet


def _time_to_unload_us(loads_n: tuple[float, ...], ramp_n_per_s: float) -> int:
    """How long the greatest of these loads takes to go off, microseconds."""
    return ceil(max(loads_n, default=0.0) / ramp_n_per_s * 1e6)
