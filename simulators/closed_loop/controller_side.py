"""The controller's end of a simulated link: feed it events in order of time, take its outputs, send its commands.

The controller is the object that runs live. What arrives late is preceded by the ticks that a real clock would have
given. Controller time is true time plus the link's delay.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Decision,
    Output,
    RepetitionRecord,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
)
from ebbset.controller.messages.events import Event, Tick
from ebbset.controller.regulation.set_controller import SetController
from ebbset.simulators.closed_loop.link_model import Way
from ebbset.simulators.closed_loop.set_observer import SetObserver
from ebbset.simulators.closed_loop.simulated_set import SimulatedSet

TICK_US: Final = 20_000
MOST_OUTPUTS: Final = 64
_COMMANDS: Final = (SendLoad, SendUnload, SendArm, SendRelease)
_OVERDUE_FRAMES: Final = 1.25


class ControllerTime:
    """The controller's clock, and how long telemetry may stay away before ticks are due.

    Args:
        starts_s: true time at which the set begins, s.
        frame_samples: samples in a telemetry frame.
        sample_s: time between two samples, s.
    """

    __slots__ = ("now_us", "overdue_us", "timely_us")

    def __init__(self, starts_s: float, *, frame_samples: int, sample_s: float) -> None:
        self.now_us = self.timely_us = round(starts_s * 1e6)
        # While frames come on time, ticks between them would only cost.
        self.overdue_us = round(_OVERDUE_FRAMES * 1e6 * frame_samples * sample_s)


class ControllerSide:
    """The controller, its clock and the commands that it has sent.

    Args:
        controller: a fresh one.
        time: its clock.
        down: the way from controller to rig.
        observer: told of every input and its outputs.
        outcome: receives result, decisions, repetitions and answers.
        probe: called with the outputs of every input that led to some.
        keep_outputs: keep decisions and repetition records in the outcome.

    Attributes:
        commands: on their way to the rig: true time of arrival in s, and the command; earliest first.
    """

    def __init__(
        self,
        controller: SetController,
        time: ControllerTime,
        down: Way,
        *,
        observer: SetObserver,
        outcome: SimulatedSet,
        probe: Callable[[tuple[Output, ...]], None] | None,
        keep_outputs: bool,
    ) -> None:
        self.controller = controller
        self.time = time
        self.commands: deque[tuple[float, Command]] = deque()
        self._down = down
        self._observer = observer
        self._outcome = outcome
        self._probe = probe
        self._keep_outputs = keep_outputs

    def tick_until(self, arrival_s: float) -> int:
        """Let the clock run to an arrival, with a tick every 20 ms when no frame came for too long.

        Args:
            arrival_s: true time of the arrival, s.

        Returns:
            Controller time of the arrival, microseconds.
        """
        time = self.time
        now_us = max(round(arrival_s * 1e6), time.now_us)
        if now_us - time.timely_us > time.overdue_us:
            while time.timely_us + TICK_US < now_us:
                time.timely_us = max(time.timely_us + TICK_US, time.now_us)
                self.feed(Tick(now_us=time.timely_us))
        return now_us

    def feed(self, event: Event) -> None:
        """Have the controller handle one event, and take what it puts out."""
        self.time.now_us = now_us = event.now_us
        self._outcome.events += 1
        try:
            outputs = self.controller.handle(event)
        except Exception as error:
            # Invariant 9 forbids exactly this, whatever the error is; the run goes on to show the rest.
            detail = f"{type(error).__name__} on {type(event).__name__}: {error}; allowed: no error"
            self._observer.breach(9, now_us, detail)
            return
        self._observer.handled(event, outputs)
        if outputs:
            self._take(outputs, now_us)

    def _take(self, outputs: tuple[Output, ...], now_us: int) -> None:
        outcome = self._outcome
        for output in outputs:
            if isinstance(output, _COMMANDS):
                arrival_s = self._down.arrival_s(now_us * 1e-6)
                if arrival_s is not None:
                    self.commands.append((arrival_s, output))
            elif isinstance(output, SetResult):
                outcome.result = output
            elif isinstance(output, Answer):
                outcome.answers.append(output)
            elif isinstance(output, Decision) and self._keep_outputs:
                outcome.decisions.append(output)
            elif isinstance(output, RepetitionRecord) and self._keep_outputs:
                outcome.repetitions.append(output)
        if len(outputs) > MOST_OUTPUTS:
            self._observer.breach(9, now_us, f"{len(outputs)} outputs of one event; allowed: at most {MOST_OUTPUTS}")
        if self._probe is not None:
            self._probe(outputs)
