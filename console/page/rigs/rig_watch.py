"""One rig as the page knows it from messages: the set at work, its trace, and how old all of it is.

Pure: messages and times come in. Everything is bounded, since a page may be open for days and anybody who may publish
at the broker decides how much arrives.
"""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Mapping
from typing import Final, NamedTuple

from ebbset.console.live.live_state import LiveState
from ebbset.console.page.rigs.freshness import Freshness
from ebbset.console.page.rigs.session_at_rig import SessionAtRig
from ebbset.controller.messages.reasons import State
from ebbset.models.contract.controller_messages import DecisionReport, RepetitionReport, SetReport, StateReport
from ebbset.models.contract.operator_messages import OperatorAnswer
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RigIdentity, SampleFrame
from ebbset.models.contract.study_mark import Audience
from ebbset.models.contract.wire import BadMessageError, Topic, decode

STALE_S: Final = 1.0
"""Older data are never shown as current."""
TRACE_S: Final = 20.0
TRACE_STEP_S: Final = 0.04
"""Points closer together are left out: a screen shows no more."""
MOST_RECORDS: Final = 400
"""Repetitions and decisions kept of one set; a set of an hour has fewer."""
MOST_ANSWERS: Final = 32


class TracePoint(NamedTuple):
    """One point of the trace: the rig's clock, s, load, N, position, m, and velocity, m/s, of the first cable."""

    t_s: float
    load_n: float
    position_m: float
    velocity_m_s: float


class RigWatch:
    """What is known of one rig.

    Args:
        rig: its name.

    Attributes:
        identity: its newest announcement; None before the first.
        live: the newest set.
        trace: the last `TRACE_S` seconds, at most one point in `TRACE_STEP_S`.
        points: number of points ever added to the trace.
        person: pseudonym of the lifter of the newest set, where this page armed it.
        answers: newest answers to requests, by correlation id.
        version: counts up with everything that is more than a figure.
    """

    def __init__(self, rig: str) -> None:
        self.rig = rig
        self.identity: RigIdentity | None = None
        self.live = LiveState()
        self.trace: deque[TracePoint] = deque(maxlen=round(TRACE_S / TRACE_STEP_S))
        self.points = 0
        self.person: str | None = None
        self.answers: dict[str, OperatorAnswer] = {}
        self.version = 0
        self.of_controller = Freshness()
        self.of_rig = Freshness()
        self.resting_since_s: float | None = None
        self.docked: bool | None = None
        self.session: SessionAtRig | None = None
        self._nonce: str | None = None
        self._order_digest: str | None = None
        self._boot: str | None = None

    @property
    def sends_frames(self) -> bool:
        """Whether the load is known from frames; other rigs' loads are known from the controller's reports."""
        return self.identity is None or self.identity.telemetry == "frames"

    @property
    def controlled(self) -> bool:
        """Whether a controller is there, as far as it said."""
        return self.live.report is not None and not _is_farewell(self.live.report)

    @property
    def armed_order(self) -> Prescription | None:
        """The prescription of the armed set, where this page knows it."""
        report, order = self.live.report, self.live.order
        known = report is not None and report.prescription_hash == self._order_digest
        return order if known else None

    def seen_by(self, audience: Audience | None) -> LiveState:
        """The set as a screen shows it to somebody.

        Args:
            audience: who looks at the screen; None: anybody.
        """
        return dataclasses.replace(self.live, audience=audience)

    def applied_n(self) -> tuple[float, ...]:
        """Load that the rig applies, newtons per cable."""
        if self.sends_frames:
            return self.live.applied_n
        return () if self.live.report is None else self.live.report.applied_n

    def age_s(self, now_s: float) -> float | None:
        """Age of what the figures rest on, the oldest of it, s; None while nothing current has arrived.

        Args:
            now_s: clock of the page, s.
        """
        ages = [self.of_controller.age_s(now_s)]
        if self.sends_frames:
            # Frames tell the rig's clock, which need not run evenly; they come by the way of the controller's reports.
            own = self.of_rig.age_s(now_s)
            ages.append(None if own is None else own + self.of_controller.late_s)
        return None if None in ages else max(age for age in ages if age is not None)

    def elapsed_s(self, now_s: float) -> float | None:
        """Time since the first load, s; runs on between two reports. None before it.

        Args:
            now_s: clock of the page, s.
        """
        elapsed_s = self.live.elapsed_s
        if elapsed_s is None or self.live.result is not None or self.of_controller.arrived_s is None:
            return elapsed_s
        return elapsed_s + min(max(now_s - self.of_controller.arrived_s, 0.0), STALE_S)

    def rest_left_s(self, now_s: float) -> float | None:
        """What is left of a programmed rest within the set, s; None outside one, or where its length is not known.

        Args:
            now_s: clock of the page, s.
        """
        order, report = self.armed_order, self.live.report
        if order is None or report is None or report.state != State.RESTING or self.resting_since_s is None:
            return None
        # Reports of a rest count the bout that is over.
        follows = report.bout + 1
        if not 0 < follows < len(order.bouts):
            return None
        return max(order.bouts[follows].rest_before_s - (now_s - self.resting_since_s), 0.0)

    def time_left_s(self, now_s: float) -> float | None:
        """What is left of the prescribed duration, s; None where it is not known.

        Args:
            now_s: clock of the page, s.
        """
        order, elapsed_s = self.armed_order, self.elapsed_s(now_s)
        if order is None or self.live.result is not None:
            return None
        return max(order.stop.max_duration_s - (elapsed_s or 0.0), 0.0)

    def take(
        self, topic: Topic, payload: bytes, at_s: float, *, retained: bool, orders: Mapping[str, Prescription]
    ) -> bool:
        """Take one message into account; one that breaks the contract is ignored.

        Args:
            topic: its topic.
            payload: its bytes.
            at_s: when it arrived, clock of the page, s.
            retained: the broker kept it, so nothing is known of its age.
            orders: prescriptions that this page knows, by digest.

        Returns:
            whether it was a message.
        """
        try:
            message = decode(topic, payload)
        except BadMessageError:
            return False
        if isinstance(message, SampleFrame):
            self._take_frame(message, at_s)
        elif isinstance(message, StateReport):
            self._take_state(message, at_s, retained, orders)
        elif isinstance(message, OperatorAnswer):
            self.answers[message.correlation_id] = message
            while len(self.answers) > MOST_ANSWERS:
                del self.answers[next(iter(self.answers))]
            self.version += 1
        else:
            self._take_record(message)
        return True

    def take_session(self, session: SessionAtRig | None) -> None:
        """Note which session is on this rig.

        Args:
            session: as it stands now; None for none.
        """
        before = None if self.session is None else self.session.marker()
        if before != (None if session is None else session.marker()):
            self.version += 1
        self.session = session

    def connection_lost(self) -> None:
        """Nothing that was heard is current any more."""
        self.of_controller.forget()
        self.of_rig.forget()
        self.version += 1

    def _begin(self, nonce: str | None) -> None:
        """A new set: forget the one before. Until its first state report, nobody knows what of it may be shown."""
        self._nonce = nonce
        self.live = LiveState(applied_n=self.live.applied_n, simulated=self.live.simulated)
        self.resting_since_s = None

    def _take_state(self, report: StateReport, at_s: float, retained: bool, orders: Mapping[str, Prescription]) -> None:
        before = self.live.report
        if report.nonce is not None and report.nonce != self._nonce:
            self._begin(report.nonce)
        if not retained:
            self.of_controller.take(report.t_host_us / 1e6, at_s)
        if _is_farewell(report):
            # Its clock says nothing, and the next controller has another.
            self.of_controller.forget()
        order = None if report.prescription_hash is None else orders.get(report.prescription_hash)
        if order is not None and self.live.order is not order:
            self._order_digest = report.prescription_hash
            self.live.order, self.live.unit = order, order.units
            self.live.start_n, self.live.floor_n = order.load.start_n, order.load.floor_n
        self.live.take_message(report)
        if report.state != State.RESTING:
            self.resting_since_s = None
        elif self.resting_since_s is None:
            self.resting_since_s = at_s
        if before is None or _told(before) != _told(report):
            self.version += 1

    def _take_frame(self, frame: SampleFrame, at_s: float) -> None:
        if frame.boot_id != self._boot:
            self._boot = frame.boot_id
            self.trace.clear()
        self.of_rig.arrive(at_s)
        if frame.docked != self.docked:
            self.docked = frame.docked
            self.version += 1
        self.live.take_message(frame)
        cable = frame.cables[0]
        velocities = cable.velocity_m_s or (0.0,) * len(frame.t_us)
        for t_us, position_m, velocity_m_s in zip(frame.t_us, cable.position_m, velocities, strict=True):
            t_s = t_us / 1e6
            if self.trace and t_s < self.trace[-1].t_s:
                self.trace.clear()
            if not self.trace or t_s - self.trace[-1].t_s >= TRACE_STEP_S:
                self.trace.append(TracePoint(t_s, max(frame.applied_n), position_m, velocity_m_s))
                self.points += 1

    def _take_record(self, message: object) -> None:
        if isinstance(message, RigIdentity):
            changed = message != self.identity
            self.identity = message
            self.live.take_message(message)
            self.version += changed
            return
        if isinstance(message, DecisionReport | RepetitionReport | SetReport):
            if message.nonce is not None and message.nonce != self._nonce:
                self._begin(message.nonce)
            self.live.take_message(message)
            for records in (self.live.repetitions, self.live.decisions):
                del records[:-MOST_RECORDS]
            self.version += 1


def _is_farewell(report: StateReport) -> bool:
    """Whether a controller is gone: its last words are the state offline and, unlike its reports, hold no ticket."""
    return report.state == State.OFFLINE and report.ticket is None


def _told(report: StateReport) -> tuple[object, ...]:
    """What of a report is more than a figure."""
    return (report.state, report.nonce, report.prescription_hash, report.bout, report.recording_failure)
