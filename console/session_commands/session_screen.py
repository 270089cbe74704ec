"""What a session looks like in the terminal while it is led: the clock, what comes next and why, and the set at
work."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rich.console import Group, RenderableType
from rich.text import Text

from ebbset.coaching.sessions.progress import SessionView, StepState
from ebbset.coaching.sessions.session_steps import SessionPlanFile
from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import picture
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription

_MARKS: Final[dict[StepState, str]] = {"done": "✓", "now": "▸", "to do": "·", "skipped": "–", "left out": "–"}
_KEYS: Final[dict[str, str]] = {
    "resting": "a arms   k skips   r repeats the last set   e ends the session",
    "ready": "a arms   k skips   r repeats the last set   e ends the session",
    "armed": "s starts   l releases   x stops   e ends the session",
    "working": "x stops   e stops and ends the session",
}


def clock(seconds: float) -> str:
    """Minutes and seconds, rounded up, so that zero is shown only when there is none left: ``1:05``."""
    whole = int(-(-seconds // 1))
    return f"{whole // 60}:{whole % 60:02d}"


def session_picture(
    plan: SessionPlanFile, view: SessionView, live: LiveState | None, obstacle: str, said: str
) -> RenderableType:
    """The whole screen.

    Args:
        plan: what is to be done.
        view: where the session stands.
        live: the set that is armed or at work; None for none.
        obstacle: why nothing can be armed now; empty for nothing.
        said: the last answer.
    """
    parts: list[RenderableType] = [
        Text.assemble((plan.name, "bold"), f"   lifter {plan.lifter}   {clock(view.session_left_s)} left"),
        Text(),
    ]
    parts += [_step_line(view, number) for number in range(len(view.steps))]
    parts += [Text(), *(Text(line) for line in now_lines(view, obstacle))]
    if live is not None and view.phase in ("armed", "working"):
        parts += [Text(), picture(live)]
    if said:
        parts += [Text(), Text(said, style="italic")]
    if view.phase in _KEYS:
        parts += [Text(), Text(_KEYS[view.phase], style="dim")]
    return Group(*parts)


def _step_line(view: SessionView, number: int) -> Text:
    one = view.steps[number]
    ended = (
        "" if one.ended is None else f"   {ended_words(one.step.prescription, one.ended.repetitions, one.ended.text)}"
    )
    state = "" if one.state in ("done", "now", "to do") else f"   {one.state}"
    return Text(f"{_MARKS[one.state]} {one.step.title}{state}{ended}", style="bold" if one.state == "now" else "")


def ended_words(order: Prescription, repetitions: int, text: str) -> str:
    """How a set ended, as far as a study lets a screen say it.

    Args:
        order: what was armed.
        repetitions: how many were completed.
        text: why it ended.
    """
    blinding = LiveState.of(order).blinding
    if blinding.hidden:
        return "done"
    return f"{formatting.plural(repetitions, 'repetition')}. {text}"


def now_lines(view: SessionView, obstacle: str) -> Iterator[str]:
    """What is going on, in lines.

    Args:
        view: where the session stands.
        obstacle: why nothing can be armed now; empty for nothing.
    """
    if view.phase == "over":
        yield f"The session is over: {view.ended_because}."
        return
    if view.step is None or view.order is None:
        yield "Waiting for the rigs."
        return
    if view.phase == "working":
        yield f"At work: {view.step.title}."
        return
    yield f"Next: {view.step.title}, on {view.step.rig}."
    if not LiveState.of(view.order).blinding.hides("load"):
        yield f"Start load {formatting.load(view.order.load.start_n, view.order.units)}. {view.start_why}"
    if view.rest_left_s > 0.0:
        yield f"Rest: {clock(view.rest_left_s)} left."
    if view.phase == "armed":
        yield view.start_obstacle or "Armed. Nothing is on the cable until somebody starts."
    elif obstacle:
        yield obstacle
