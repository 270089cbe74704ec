"""The live view of a set: load, velocity, repetitions, loss of capacity, the last decision.

`LiveState` collects what wire messages say, `picture` draws it, and `follow` listens over MQTT until the set ends. The
view only observes: it commands nothing, and the set does not depend on it.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, Final, Self

import aiomqtt
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.live import Live
from rich.table import Table
from rich.text import Text

from ebbset.console.live.operator_client import no_broker, payload_of
from ebbset.console.progress import progress
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.controller.messages.endings import BUDGETS, spent_budget
from ebbset.controller.messages.reasons import State
from ebbset.models.contract import formatting
from ebbset.models.contract.controller_messages import DecisionReport, RepetitionReport, SetReport, StateReport
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.rig_messages import RepetitionOutcome, RigIdentity, SampleFrame
from ebbset.models.contract.study_mark import mark_of
from ebbset.models.contract.units import LoadUnit
from ebbset.models.contract.wire import BadMessageError, Topic, decode

HEARD: Final = (Topic.IDENTITY, Topic.STATE, Topic.FRAME, Topic.REPETITION_REPORT, Topic.DECISION, Topic.RESULT)
BAR_CELLS: Final = 44
HISTORY: Final = 44
FRAMES_PER_S: Final = 8
_GAP: Final = 2
_FIGURE_CELLS: Final = 10
_FEWEST_CELLS: Final = 16
_LEVELS: Final = " ▁▂▃▄▅▆▇█"
_STEEPEST_M_S: Final = 1.0


@dataclass(slots=True)
class LiveState:
    """What an observer knows from messages alone.

    Attributes:
        unit: unit in which loads are shown.
        start_n: load of a full bar, N per cable; grows to the highest load seen.
        floor_n: floor load, N per cable, marked in the bar; 0 for no mark.
        hidden: rows to hide in a blinded set: ``load``, ``velocity``, ``repetitions``, ``budget``, ``decisions``.
    """

    unit: LoadUnit = "kg"
    start_n: float = 0.0
    floor_n: float = 0.0
    hidden: frozenset[str] = frozenset()
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
    def of(cls, order: Prescription) -> Self:
        """Make the state for a set with this prescription: its unit, its loads, and what its study hides on screens."""
        mark = mark_of(order.notes)
        return cls(
            unit=order.units,
            start_n=order.load.start_n,
            floor_n=order.load.floor_n,
            hidden=frozenset() if mark is None else mark.hide,
        )

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
            message: Any = decode(topic, payload)
        except BadMessageError:
            return
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


def picture(state: LiveState) -> RenderableType:
    """Draw the live view; it fills the given width and is complete from 40 columns on."""
    return _Picture(state)


@dataclass(frozen=True, slots=True)
class _Picture:
    """Bars take the width that labels and figures leave, so that no label is ever cut."""

    state: LiveState

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        state = self.state
        head = Text()
        report = state.report
        head.append(report.prescription if report is not None and report.prescription else "no set armed", style="bold")
        head.append(
            f"   {report.state if report is not None else 'nothing heard from the controller yet'}", style="dim"
        )
        if state.elapsed_s is not None:
            head.append(f"   {formatting.seconds(state.elapsed_s)}", style="dim")
        if state.simulated:
            head.append("   simulated", style="dim italic")
        if report is not None and report.recording_failure is not None:
            head.append(f"\nnot recorded: {report.recording_failure}", style="bold red")
        shown = [row for row in _ROWS if row.name not in state.hidden]
        figures = [row.figure(state).rjust(_FIGURE_CELLS) for row in shown]
        taken = max((len(row.label) for row in shown), default=0) + max(map(len, figures), default=0) + 2 * _GAP
        tail = _budget(state)
        room = options.max_width - taken
        cells = min(room - len(tail), BAR_CELLS)
        if cells < _FEWEST_CELLS:
            tail, cells = "", max(min(room, BAR_CELLS), 1)
        rows = Table.grid(padding=(0, _GAP))
        rows.add_column(style="dim", no_wrap=True)
        rows.add_column(justify="right", no_wrap=True)
        rows.add_column(no_wrap=True)
        for row, figure in zip(shown, figures, strict=True):
            line = row.line(state, cells)
            if row.name == "budget" and len(line):
                line.append(tail, style="dim")
            rows.add_row(row.label, figure, line)
        yield head
        yield Text()
        yield rows
        yield Text()
        if "decisions" not in state.hidden:
            yield _last_decision(state)


@dataclass(frozen=True, slots=True)
class _Row:
    """One row: its name in a study's blinding, its label, its figure, and its bar of a given number of cells."""

    name: str
    label: str
    figure: Callable[[LiveState], str]
    line: Callable[[LiveState, int], Text]


def _load_figure(state: LiveState) -> str:
    return formatting.loads(state.applied_n, state.unit) if state.applied_n else formatting.NONE


def _load_line(state: LiveState, cells: int) -> Text:
    now_n = max(state.applied_n, default=0.0)
    full_n = max(state.start_n, 1.0)
    bar = Text("█" * min(round(now_n / full_n * cells), cells), style="bright_blue")
    bar.append("·" * (cells - len(bar)), style="dim")
    if state.floor_n:
        at = min(round(state.floor_n / full_n * cells), cells - 1)
        bar = Text.assemble(bar[:at], ("┊", "bold"), bar[at + 1 :])
    return bar


def _velocity_figure(state: LiveState) -> str:
    return f"{state.velocity_m_s:+.2f} m/s".replace("-", "−")


def _velocity_line(state: LiveState, cells: int) -> Text:
    newest = list(state.velocities)[-cells:]
    return Text("".join(_level(max(value, 0.0) / _STEEPEST_M_S) for value in newest), style="yellow")


def _done(state: LiveState) -> list[RepetitionReport]:
    return [r for r in state.repetitions if (r.cable or 0) == 0]


def _repetition_figure(state: LiveState) -> str:
    return str(sum(record.outcome is RepetitionOutcome.COMPLETED for record in _done(state)))


def _repetition_line(state: LiveState, cells: int) -> Text:
    done = _done(state)
    fastest = max((r.mean_velocity_m_s for r in done), default=1.0) or 1.0
    marks = Text()
    for record in done[-cells:]:
        completed = record.outcome is RepetitionOutcome.COMPLETED
        marks.append(
            _level(record.mean_velocity_m_s / fastest) if completed else "×", style="" if completed else "bold"
        )
    return marks


def _capacity_figure(state: LiveState) -> str:
    return formatting.part(None if state.report is None else state.report.budget_spent)


def _capacity_line(state: LiveState, cells: int) -> Text:
    report = state.report
    if report is None or report.budget_spent is None:
        return Text()
    filled = min(round(max(report.budget_spent, 0.0) / (report.budget_limit or 1.0) * cells), cells)
    bar = Text("━" * filled, style="magenta")
    bar.append("─" * (cells - filled), style="dim")
    return bar


def _budget(state: LiveState) -> str:
    """Say what a full bar of lost capacity means."""
    if "budget" in state.hidden or state.report is None or state.report.budget_spent is None:
        return ""
    limit = state.report.budget_limit
    return f" budget {formatting.part(limit)}" if limit else " no budget"


_ROWS: Final = (
    _Row("load", "load", _load_figure, _load_line),
    _Row("velocity", "velocity", _velocity_figure, _velocity_line),
    _Row("repetitions", "repetitions", _repetition_figure, _repetition_line),
    _Row("budget", "capacity lost", _capacity_figure, _capacity_line),
)


def _last_decision(state: LiveState) -> Text:
    if not state.decisions:
        return Text("No decision yet.", style="dim")
    last = state.decisions[-1]
    return Text.assemble((f"{formatting.ACTIONS.get(last.action, last.action)}. ", "bold"), last.text)


def _level(part: float) -> str:
    return _LEVELS[min(max(round(part * (len(_LEVELS) - 1)), 0), len(_LEVELS) - 1)]


def in_a_line(state: LiveState) -> str:
    """Say in one line where the set stands, for something that is not a terminal."""
    parts = ["no word from the controller yet" if state.report is None else str(state.report.state)]
    if "repetitions" not in state.hidden:
        parts.append(formatting.plural(int(_repetition_figure(state)), "repetition"))
    if "load" not in state.hidden:
        parts.append(f"load {_load_figure(state)}")
    return ", ".join(parts)


def on_screen(state: LiveState, console: Console) -> AbstractContextManager[object]:
    """Show the live view of a state that something else updates; it is redrawn a few times a second.

    Where there is no terminal, a line now and then says where the set stands.

    Args:
        state: the state to show.
        console: terminal that shows it.
    """
    if not console.is_terminal:
        return progress(lambda: in_a_line(state), stream=console.file)
    return Live(get_renderable=lambda: picture(state), console=console, refresh_per_second=FRAMES_PER_S, transient=True)


async def follow(
    broker: BrokerSettings,
    rig: str,
    state: LiveState,
    *,
    until: Callable[[LiveState], bool] = lambda state: state.over,
) -> None:
    """Listen until the set ends and keep ``state`` up to date.

    Args:
        broker: broker to connect to.
        rig: name of the rig.
        state: state that takes the messages.
        until: condition, checked after each message, that ends the listening.

    Raises:
        CommandError: the broker cannot be reached, or the connection was lost.
    """
    topics = {topic.path(rig): topic for topic in HEARD}
    try:
        async with new_client(broker, f"ebbset-observer-{secrets.token_hex(4)}") as client:
            await client.subscribe([(path, 0 if topic is Topic.FRAME else 1) for path, topic in topics.items()])
            async for message in client.messages:
                topic = topics.get(message.topic.value)
                if topic is None:
                    continue
                state.take(topic, payload_of(message))
                if until(state):
                    return
    except aiomqtt.MqttError as error:
        raise no_broker(broker, error) from None
