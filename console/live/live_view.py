"""The live view of a set: load, velocity, repetitions, loss of capacity, the last decision.

`LiveState` collects what wire messages say, `picture` draws what of it may be shown, and `follow` listens over MQTT
until the set ends. The view only observes: it commands nothing, and the set does not depend on it.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Final

import aiomqtt
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.live import Live
from rich.table import Table
from rich.text import Text

from ebbset.console.live.live_state import HISTORY, LiveState
from ebbset.console.live.operator_client import no_broker, payload_of
from ebbset.console.live.screen_blinding import ScreenBlinding
from ebbset.console.live.shown import completed, decision_words, failure_text, one_side, set_name, velocity_text
from ebbset.console.progress import progress
from ebbset.controller.link.mqtt_link import new_client
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract import formatting
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.wire import Topic

HEARD: Final = (Topic.IDENTITY, Topic.STATE, Topic.FRAME, Topic.REPETITION_REPORT, Topic.DECISION, Topic.RESULT)
BAR_CELLS: Final = HISTORY
FRAMES_PER_S: Final = 8
_GAP: Final = 2
_FIGURE_CELLS: Final = 10
_FEWEST_CELLS: Final = 16
_LEVELS: Final = " ▁▂▃▄▅▆▇█"
_STEEPEST_M_S: Final = 1.0


def picture(state: LiveState) -> RenderableType:
    """Draw the live view; it fills the given width and is complete from 40 columns on."""
    return _Picture(state)


@dataclass(frozen=True, slots=True)
class _Picture:
    """Bars take the width that labels and figures leave, so that no label is ever cut."""

    state: LiveState

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        state = self.state
        blinding = state.blinding
        head = Text(set_name(state, blinding), style="bold")
        report = state.report
        heard = "nothing heard from the controller yet" if report is None else blinding.state(report.state)
        head.append(f"   {heard}", style="not bold dim")
        if state.elapsed_s is not None:
            head.append(f"   {formatting.seconds(state.elapsed_s)}", style="not bold dim")
        if state.simulated:
            head.append("   simulated", style="not bold dim italic")
        if (failure := failure_text(state, blinding)) is not None:
            head.append(f"\nnot recorded: {failure}", style="bold red")
        shown = [row for row in _ROWS if not blinding.hides(row.name)]
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
        if blinding.why is not None:
            yield Text(blinding.why, style="dim")
        if shown:
            yield Text()
            yield rows
        said = _last_decision(state, blinding)
        if said is not None:
            yield Text()
            yield said


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
    return velocity_text(state.velocity_m_s)


def _velocity_line(state: LiveState, cells: int) -> Text:
    if state.blinding.hides("repetitions"):
        # Each repetition is a hump of the trace, so whoever sees it can count them.
        return Text()
    newest = list(state.velocities)[-cells:]
    return Text("".join(_level(max(value, 0.0) / _STEEPEST_M_S) for value in newest), style="yellow")


def _repetition_figure(state: LiveState) -> str:
    return str(completed(state))


def _repetition_line(state: LiveState, cells: int) -> Text:
    done = one_side(state)
    if state.blinding.hides("velocity"):
        whole = (record.outcome is RepetitionOutcome.COMPLETED for record in done[-cells:])
        return Text("".join(_LEVELS[-1] if one else "×" for one in whole))
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
    if state.blinding.hides("budget") or state.report is None or state.report.budget_spent is None:
        return ""
    limit = state.report.budget_limit
    return f" budget {formatting.part(limit)}" if limit else " no budget"


_ROWS: Final = (
    _Row("load", "load", _load_figure, _load_line),
    _Row("velocity", "velocity", _velocity_figure, _velocity_line),
    _Row("repetitions", "repetitions", _repetition_figure, _repetition_line),
    _Row("budget", "capacity lost", _capacity_figure, _capacity_line),
)


def _last_decision(state: LiveState, blinding: ScreenBlinding) -> Text | None:
    """What was decided last; on a blinded screen only as far as a fixed sentence may say it."""
    if not state.decisions:
        return None if blinding.hidden else Text("No decision yet.", style="dim")
    words = decision_words(state.decisions[-1], blinding)
    if words is None:
        return None
    did, why = words
    return Text.assemble((f"{did}. ", "bold"), why) if did else Text(why)


def _level(part: float) -> str:
    return _LEVELS[min(max(round(part * (len(_LEVELS) - 1)), 0), len(_LEVELS) - 1)]


def in_a_line(state: LiveState) -> str:
    """Say in one line where the set stands, for something that is not a terminal."""
    blinding = state.blinding
    parts = ["no word from the controller yet" if state.report is None else blinding.state(state.report.state)]
    if not blinding.hides("repetitions"):
        parts.append(formatting.plural(completed(state), "repetition"))
    if not blinding.hides("load"):
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
