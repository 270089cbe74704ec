"""Turns the messages of one rig and its controller into samples and markers with times of the streaming layer's clock.

Which clock a time is on: samples, decisions and repetitions bear the rig's clock, states and results the controller's;
each is brought onto the layer's clock by its own `ClockAlignment`. A rig that boots again, or announces other samples,
gets new streams. No socket here: messages come in with their time of arrival, outlets are made by a function.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

from ebbset.console.streams.clock_alignment import ClockAlignment
from ebbset.models.contract.controller_messages import DecisionReport, RepetitionReport, SetReport, StateReport
from ebbset.models.contract.rig_messages import RigIdentity, SampleFrame
from ebbset.models.contract.wire import BadMessageError, Topic, decode

HEARD: Final = (
    Topic.IDENTITY,
    Topic.FRAME,
    Topic.STATE,
    Topic.DECISION,
    Topic.REPETITION_REPORT,
    Topic.RESULT,
)
CHANNELS: Final = (
    ("position", "metres", "cable paid out from the docked handle"),
    ("velocity", "metres per second", "positive in the concentric; not a number where the rig measures none"),
    ("force", "newtons", "cable tension; not a number without a force sensor"),
    ("applied_load", "newtons", "load that the rig applies, told once a frame"),
)
"""Label, unit and meaning of each channel of a cable's stream."""
FRAMES_NEEDED: Final = 25
"""Frames before a rig's streams open, so that their description can state the offset of its clock."""
CLOCK_EVERY_S: Final = 5.0
UNKNOWN: Final = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamedRig:
    """What the description of a rig's streams says.

    Attributes:
        rig: name.
        boot_id: of the rig's present boot, to which its clock belongs.
        cables: how many.
        sample_rate_hz: nominal.
        simulated: the rig announced that it is.
        offset_s: rig clock to the layer's clock, as first known; markers of kind ``clock`` follow it.
    """

    rig: str
    boot_id: str
    cables: int
    sample_rate_hz: float
    simulated: bool
    offset_s: float


class Outlets(Protocol):
    """Where samples and markers go."""

    def open_samples(self, described: StreamedRig) -> None:
        """Open a stream for each cable, instead of those that are open."""

    def samples(self, cable: int, rows: Sequence[Sequence[float]], times_s: Sequence[float]) -> None:
        """Send samples of one cable.

        Args:
            cable: from 0.
            rows: one row of `CHANNELS` for each sample.
            times_s: their times on the layer's clock, rising.
        """

    def marker(self, text: str, time_s: float) -> None:
        """Send one marker.

        Args:
            text: JSON.
            time_s: its time on the layer's clock.
        """


class StreamBridge:
    """One rig's messages as samples and markers.

    Args:
        rig: its name.
        outlets: where they go.
    """

    def __init__(self, rig: str, outlets: Outlets) -> None:
        self._rig = rig
        self._outlets = outlets
        self._identity: RigIdentity | None = None
        self._boot_id = ""
        self._rig_clock = ClockAlignment(FRAMES_NEEDED)
        self._controller_clock = ClockAlignment(1)
        self._open = False
        self._last_s = 0.0
        self._clock_told_s: float | None = None
        self._state = ""
        self.unreadable = 0
        self._handlers: dict[Topic, Callable[[Any, float], None]] = {
            Topic.IDENTITY: self._on_identity,
            Topic.FRAME: self._on_frame,
            Topic.STATE: self._on_state,
            Topic.DECISION: self._on_decision,
            Topic.REPETITION_REPORT: self._on_repetition,
            Topic.RESULT: self._on_result,
        }

    def take(self, topic: Topic, payload: bytes, arrival_s: float) -> None:
        """Take one message in; one that breaks the contract is counted and left out.

        Args:
            topic: one of `HEARD`.
            payload: as it arrived.
            arrival_s: the layer's clock at arrival, seconds.
        """
        try:
            message = decode(topic, payload)
        except BadMessageError:
            self.unreadable += 1
            return
        self._handlers[topic](message, arrival_s)

    # --- the rig ------------------------------------------------------------------------------------------------

    def _on_identity(self, identity: RigIdentity, arrival_s: float) -> None:
        known = self._identity
        if known is not None and known != identity:
            # Another boot has another clock, and other samples need other streams.
            self._open = False
        self._identity = identity if identity.online else None
        self._marker("rig", arrival_s, online=identity.online, boot_id=identity.boot_id)

    def _on_frame(self, frame: SampleFrame, arrival_s: float) -> None:
        if frame.boot_id != self._boot_id:
            self._boot_id, self._open = frame.boot_id, False
            self._rig_clock = ClockAlignment(FRAMES_NEEDED)
        self._rig_clock.note(frame.t_us[-1], arrival_s)
        offset_s, identity = self._rig_clock.offset_s, self._identity
        if offset_s is None or identity is None or identity.boot_id != frame.boot_id:
            return
        if len(frame.cables) != identity.cables:
            self.unreadable += 1
            return
        if not self._open:
            self._open = True
            self._outlets.open_samples(
                StreamedRig(
                    rig=self._rig,
                    boot_id=frame.boot_id,
                    cables=identity.cables,
                    sample_rate_hz=identity.sample_rate_hz,
                    simulated=identity.simulated,
                    offset_s=offset_s,
                )
            )
        self._tell_clocks(arrival_s)
        # A better offset may lie before the last one by a little; a stream's times never go back.
        times_s = [max(t_us * 1e-6 + offset_s, self._last_s) for t_us in frame.t_us]
        self._last_s = times_s[-1]
        for k, cable in enumerate(frame.cables):
            unknown = (UNKNOWN,) * len(times_s)
            columns = (cable.position_m, cable.velocity_m_s or unknown, cable.force_n or unknown)
            rows = [(*row, frame.applied_n[k]) for row in zip(*columns, strict=True)]
            self._outlets.samples(k, rows, times_s)

    def _tell_clocks(self, now_s: float) -> None:
        if self._clock_told_s is None or now_s - self._clock_told_s >= CLOCK_EVERY_S:
            self._clock_told_s = now_s
            self._marker(
                "clock",
                now_s,
                rig_clock_offset_s=self._rig_clock.offset_s,
                controller_clock_offset_s=self._controller_clock.offset_s,
            )

    # --- the controller -----------------------------------------------------------------------------------------

    def _on_state(self, state: StateReport, arrival_s: float) -> None:
        self._controller_clock.note(state.t_host_us, arrival_s)
        if state.state != self._state:
            self._state = state.state
            self._marker("state", self._controller_s(state.t_host_us, arrival_s), state=state.state, set=state.nonce)

    def _on_decision(self, decision: DecisionReport, arrival_s: float) -> None:
        self._controller_clock.note(decision.t_host_us, arrival_s)
        at_s = None if decision.t_rig_us is None else self._rig_clock.local_s(decision.t_rig_us)
        if at_s is None:
            at_s = self._controller_s(decision.t_host_us, arrival_s)
        still_s = next((one.value for one in decision.inputs if one.name == "stalled_s"), None)
        about = {"set": decision.nonce, "cable": decision.cable, "reason": decision.reason}
        if still_s is not None:
            # Told with the decision that it led to, at the time at which the handle had come to rest.
            self._marker("stall", at_s - still_s, **about, still_s=still_s, t_rig_us=decision.t_rig_us)
        self._marker(
            "decision",
            at_s,
            **about,
            seq=decision.seq,
            action=decision.action,
            from_n=decision.from_n,
            to_n=decision.to_n,
            text=decision.text,
            t_rig_us=decision.t_rig_us,
            t_host_us=decision.t_host_us,
        )

    def _on_repetition(self, repetition: RepetitionReport, arrival_s: float) -> None:
        for kind, t_us in (("concentric_start", repetition.t_start_us), ("concentric_end", repetition.t_end_us)):
            at_s = self._rig_clock.local_s(t_us)
            self._marker(
                kind,
                arrival_s if at_s is None else at_s,
                set=repetition.nonce,
                cable=repetition.cable,
                repetition=repetition.index,
                outcome=repetition.outcome.value,
                load_n=repetition.load_n,
                mean_velocity_m_s=repetition.mean_velocity_m_s,
                t_rig_us=t_us,
            )

    def _on_result(self, result: SetReport, arrival_s: float) -> None:
        self._marker(
            "result",
            arrival_s,
            set=result.nonce,
            reason=result.reason,
            repetitions=result.repetitions,
            drops=result.drops,
            text=result.text,
        )

    def _controller_s(self, t_host_us: int, arrival_s: float) -> float:
        at_s = self._controller_clock.local_s(t_host_us)
        # The controller's clock starts anew with each of its runs; what it retained from an earlier one has no place.
        return arrival_s if at_s is None or abs(arrival_s - at_s) > CLOCK_EVERY_S else at_s

    def _marker(self, kind: str, at_s: float, **values: Any) -> None:
        self._outlets.marker(json.dumps({"kind": kind, **values}, ensure_ascii=False, allow_nan=False), at_s)
