"""What an observer of a set knows from messages alone, and what of it the screen may show."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final, Self

from ebbset.console.live.screen_blinding import ANOTHER, UNKNOWN, ScreenBlinding
from ebbset.controller.messages.endings import BUDGETS, spent_budget
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.controller_messages import DecisionReport, RepetitionReport, SetReport, StateReport
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigIdentity, SampleFrame
from ebbset.models.contract.study_mark import EVERYTHING, Audience, is_session, mark_of
from ebbset.models.contract.units import LoadUnit
from ebbset.models.contract.wire import BadMessageError, Topic, decode

HISTORY: Final = 44
"""Velocities kept, and the greatest number of cells that show them."""


@dataclass(slots=True)
class LiveState:
    """What an observer knows from messages alone.

    Attributes:
        unit: unit in which loads are shown.
        start_n: load of a full bar, N per cable; grows to the highest load seen.
        floor_n: floor load, N per cable, marked in the bar; 0 for no mark.
        order: prescription that the watcher gave; None: not given, so nothing is known about blinding but its name.
        audience: who looks at the screen; None: anybody, so that everything is hidden that is hidden from somebody.
    """

    unit: LoadUnit = "kg"
    start_n: float = 0.0
    floor_n: float = 0.0
    order: Prescription | None = None
    audience: Audience | None = None
    report: StateReport | None = None
    applied_n: tuple[float, ...] = ()
    velocity_m_s: float = 0.0
    velocities: deque[float] = field(default_factory=lambda: deque(maxlen=HISTORY))
    repetitions: list[RepetitionReport] = field(default_factory=list)
    decisions: list[DecisionReport] = field(default_factory=list)
    result: SetReport | None = None
    simulated: bool = False
    begun_us: int | None = None
    """Controller's clock when the first load was put on, or when this observer first saw the set at work."""
    now_us: int = 0
    """Controller's clock in the newest message that tells it."""

    @classmethod
    def of(cls, order: Prescription, audience: Audience | None = None) -> Self:
        """Make the state for a set with this prescription: its unit, its loads, and what its study hides on screens.

        Args:
            order: the prescription.
            audience: who looks at the screen; None: anybody.
        """
        return cls(
            unit=order.units, start_n=order.load.start_n, floor_n=order.load.floor_n, order=order, audience=audience
        )

    @property
    def blinding(self) -> ScreenBlinding:
        """What the screen leaves out: as the study says, and everything where that is not known for the armed set."""
        report, order = self.report, self.order
        if report is None and order is None:
            return ScreenBlinding(EVERYTHING)
        session = report is not None and is_session(report.prescription or "")
        if order is None:
            return ScreenBlinding(EVERYTHING, UNKNOWN) if session else ScreenBlinding()
        mark = mark_of(order.notes)
        another = report is not None and report.prescription_hash not in (None, order.digest())
        if another and (mark is not None or session):
            return ScreenBlinding(EVERYTHING, ANOTHER)
        return ScreenBlinding() if mark is None else ScreenBlinding(mark.hidden_from(self.audience))

    @property
    def elapsed_s(self) -> float | None:
        """Time since the first load, seconds; None before it."""
        if self.result is not None:
            return self.result.duration_s
        return None if self.begun_us is None else (self.now_us - self.begun_us) / 1e6

    @property
    def over(self) -> bool:
        """Whether the set has its result or the controller is gone (its last will says offline)."""
        return self.result is not None or (self.report is not None and self.report.state == State.OFFLINE)

    @property
    def ended_because(self) -> str | None:
        """Why the set ended, in words; None without a result."""
        if self.result is None:
            return None
        if self.blinding.hidden:
            return self.blinding.ended_because(self.result.reason)
        ends = [decision for decision in self.decisions if decision.action == "end"]
        budget = spent_budget(ends[-1].reason, (one.name for one in ends[-1].thresholds)) if ends else None
        return self.result.text if budget is None else BUDGETS[budget]

    def take(self, topic: Topic, payload: bytes) -> None:
        """Take one message into account; ignore one that breaks the contract, which is not an observer's concern.

        Args:
            topic: topic of the message.
            payload: its bytes.
        """
        try:
            self.take_message(decode(topic, payload))
        except BadMessageError:
            return

    def take_message(self, message: Any) -> None:
        """Take one message into account that was decoded already.

        Args:
            message: of any topic.
        """
        if isinstance(message, RigIdentity):
            self.simulated = message.simulated
        elif isinstance(message, StateReport):
            self.report = message
            self._take_time(message.t_host_us, at_work=message.state in (State.WORKING, State.RESTING))
        elif isinstance(message, SampleFrame):
            self._take_frame(message)
        elif isinstance(message, RepetitionReport):
            self.repetitions.append(message)
        elif isinstance(message, DecisionReport):
            self.decisions.append(message)
            self._take_time(message.t_host_us, at_work=message.action == "load")
        elif isinstance(message, SetReport):
            self.result = message

    def _take_time(self, t_host_us: int, *, at_work: bool) -> None:
        self.now_us = max(self.now_us, t_host_us)
        if at_work and self.begun_us is None:
            self.begun_us = t_host_us

    def _take_frame(self, frame: SampleFrame) -> None:
        self.applied_n = frame.applied_n
        self.start_n = max(self.start_n, *frame.applied_n)
        measured = frame.cables[0].velocity_m_s
        if measured:
            self.velocity_m_s = measured[-1]
            self.velocities.append(max(measured, key=abs))
