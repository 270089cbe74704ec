"""How a simulated set is run and what it came to, as plain values; `closed_loop` runs it."""

from __future__ import annotations

from dataclasses import dataclass, field

from ebbset.controller.messages.actions import Answer, Decision, RepetitionRecord, SetResult
from ebbset.controller.messages.reasons import State
from ebbset.simulators.closed_loop.invariant_monitor import Breach
from ebbset.simulators.plant.truth import RepetitionTruth


class SetNotRunError(ValueError):
    """The set could not be armed or started; says what the controller answered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSettings:
    """How the loop runs; none of it changes the lifter, the rig or the prescription.

    Attributes:
        frame_samples: samples in a telemetry frame.
        ready_after_s: how long the person takes from feeling the load at the dock to lifting the handle.
        limit_s: simulated time after which the run is given up; None: the prescription's own limit and a margin.
        check_replay: replay all inputs through a fresh controller at the end and compare every output (invariant 8).
        keep_outputs: keep every decision and repetition record in the result; populations may do without.
    """

    frame_samples: int = 5
    ready_after_s: float = 0.5
    limit_s: float | None = None
    check_replay: bool = False
    keep_outputs: bool = True


@dataclass(frozen=True, slots=True)
class TrueRepetition:
    """One attempt as it really was, and the bout it belongs to."""

    bout: int
    truth: RepetitionTruth


@dataclass(slots=True, kw_only=True)
class SimulatedSet:
    """Outcome of one simulated set.

    Attributes:
        result: the controller's own account; None when the run was given up at its time limit.
        state: where the controller stood at the end.
        decisions: every decision, oldest first.
        repetitions: every repetition as the controller saw it.
        true_repetitions: every attempt as it was.
        loads: (true time in s, target in N per cable) of every change of target that the rig obeyed.
        duration_s: true time from the first load to the end.
        capacity_before: momentary maximal force over the fresh one at the start, 0 to 1.
        capacity_after: the same at the end.
        violations: broken invariants; empty in a sound system.
        frames: telemetry frames sent.
        events: inputs that the controller handled.
        simulated_s: all simulated time, arming included.
        answers: the controller's answers to the person.
    """

    result: SetResult | None = None
    state: State = State.OFFLINE
    decisions: list[Decision] = field(default_factory=list)
    repetitions: list[RepetitionRecord] = field(default_factory=list)
    true_repetitions: list[TrueRepetition] = field(default_factory=list)
    loads: list[tuple[float, tuple[float, ...]]] = field(default_factory=list)
    duration_s: float = 0.0
    capacity_before: float = 1.0
    capacity_after: float = 1.0
    violations: list[Breach] = field(default_factory=list)
    frames: int = 0
    events: int = 0
    simulated_s: float = 0.0
    answers: list[Answer] = field(default_factory=list)

    @property
    def completed(self) -> int:
        """Repetitions that were in truth completed."""
        return sum(repetition.truth.completed for repetition in self.true_repetitions)
