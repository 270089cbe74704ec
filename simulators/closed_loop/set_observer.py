"""What is checked and noted about a simulated set while it runs. It only observes: nothing here changes the set.

Two monitors check the invariants, one at the controller and one at the rig; a recorder may be told of every input; and
a log of inputs and outputs can be replayed through a fresh controller afterwards.
"""

from __future__ import annotations

from collections.abc import Callable

from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Acknowledged, Event, Samples
from ebbset.controller.regulation.set_controller import SetController
from ebbset.simulators.closed_loop.invariant_monitor import Breach, InvariantMonitor
from ebbset.simulators.closed_loop.rig_monitor import RigMonitor

Recorder = Callable[[Event, tuple[Output, ...]], None]

_ROUTINE = (Samples, Acknowledged)


class SetObserver:
    """Everything that watches one set.

    Args:
        max_ramp_n_per_s: the rig's own steepest ramp, N/s.
        recorder: called with every input and what it led to, in order.
        keep_log: keep inputs and outputs for `replay_breaches`.

    Attributes:
        rig_monitor: the checks that need the rig's truth; whoever advances the rig feeds it.
    """

    def __init__(self, *, max_ramp_n_per_s: float, recorder: Recorder | None, keep_log: bool) -> None:
        self.rig_monitor = RigMonitor(max_ramp_n_per_s=max_ramp_n_per_s)
        self._monitor = InvariantMonitor()
        self._recorder = recorder
        self._log: list[tuple[Event, tuple[Output, ...]]] | None = [] if keep_log else None
        self._unjudged: Samples | None = None
        self._found: list[Breach] = []

    def handled(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take note of one input and of what the controller made of it.

        Args:
            event: the input.
            outputs: everything that it led to.
        """
        if outputs or not isinstance(event, _ROUTINE):
            # The monitor judges by the newest frame. Of the frames that led to nothing it therefore sees the last one
            # only, and not even that when a newer frame leads to something. Acknowledgements tell it nothing when the
            # rig sends frames.
            if self._unjudged is not None:
                if not isinstance(event, Samples):
                    self._monitor.step(self._unjudged, ())
                self._unjudged = None
            self._monitor.step(event, outputs)
        elif isinstance(event, Samples):
            self._unjudged = event
        if self._recorder is not None:
            self._recorder(event, outputs)
        if self._log is not None:
            self._log.append((event, outputs))

    def breach(self, invariant: int, now_us: int, detail: str) -> None:
        """Note an invariant that was seen to break outside the monitors.

        Args:
            invariant: its number on the design page.
            now_us: controller time, microseconds.
            detail: what happened and what is allowed.
        """
        self._found.append(Breach(invariant, now_us, detail))

    @property
    def breaches(self) -> list[Breach]:
        """Every broken invariant: what was noted, then what each monitor saw."""
        return [*self._found, *self._monitor.breaches, *self.rig_monitor.breaches]

    def replay_breaches(self, controller: SetController, now_us: int) -> list[Breach]:
        """Check invariant 8: the logged inputs lead a fresh controller to the same outputs.

        Args:
            controller: a fresh one.
            now_us: controller time at the end of the set, microseconds, for the record of a breach.

        Returns:
            One breach for the first input that leads to other outputs; none when all lead to the same.
        """
        for index, (event, outputs) in enumerate(self._log or ()):
            if controller.handle(event) != outputs:
                detail = f"input {index} replays to other outputs; allowed: the same, bit for bit"
                return [Breach(8, now_us, detail)]
        return []
