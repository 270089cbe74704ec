"""What was done of a session, from its journal and, where they hold its sets, its recordings."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rich.table import Table

from ebbset.coaching.sessions.journal import read_journal
from ebbset.coaching.sessions.last_sessions import followed, taught
from ebbset.coaching.sessions.progress import SessionView, StepState
from ebbset.coaching.sessions.session_events import Armed, Begun, DayStrength, SessionEvent, SetBegun, SetEnded
from ebbset.coaching.sessions.session_steps import SessionPlanFile, SessionStep
from ebbset.coaching.worth import estimated
from ebbset.console.exits import CommandError, Exit
from ebbset.console.live.live_state import LiveState
from ebbset.console.session_commands.session_page import render_session
from ebbset.console.session_home import journal_path
from ebbset.console.terminal import Terminal
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription

_AROUND_S: Final = 3_600.0
"""A recording that the journal does not name is read only if it was written this near to the session."""


@dataclass(frozen=True, slots=True)
class SetLine:
    """One set of a session, or a step that was not done.

    Attributes:
        step: what was planned.
        state: what became of it.
        order: what was armed; None for nothing.
        ended: its end; None for none.
        rest_s: rest before it, s; None before the first set.
        begun_s: since the beginning of the session, s.
        recorded: the set in its recording; None where it is not there.
    """

    step: SessionStep
    state: StepState
    order: Prescription | None = None
    ended: SetEnded | None = None
    rest_s: float | None = None
    begun_s: float | None = None
    recorded: RecordedSet | None = None

    @property
    def blinded(self) -> bool:
        """A study hides something of it on screens, so that no figure of it is shown."""
        return bool(LiveState.of(self.step.prescription).blinding.hidden)

    def cells(self) -> list[str]:
        """As shown in tables, for people; of a blinded set only what became of it."""
        if self.ended is None or self.order is None or self.blinded:
            return [self.step.title, self.state, *[formatting.NONE] * 6]
        unit, ended = self.order.units, self.ended
        worth = None if self.recorded is None else estimated(self.recorded)
        strength = formatting.NONE
        if ended.one_rm_n is not None:
            strength = (
                f"{formatting.bare_load(ended.one_rm_n, unit)} ({formatting.bare_load(ended.one_rm_low_n, unit)} to "
                f"{formatting.load(ended.one_rm_high_n, unit)})"
            )
        return [
            self.step.title,
            self.state,
            formatting.NONE if self.rest_s is None else f"{self.rest_s:.0f} of {self.step.rest_before_s:.0f} s",
            formatting.load(self.order.load.start_n, unit),
            f"{ended.repetitions}" + (f", {formatting.plural(ended.drops, 'drop')}" if ended.drops else ""),
            formatting.NONE if worth is None else f"{worth.hard_repetitions:.0f}",
            strength,
            ended.text or ended.reason,
        ]


HEAD: Final = ("set", "state", "rest", "start", "repetitions", "hard", "1RM taken for fresh, 80 %", "ended because")


@dataclass(frozen=True, slots=True)
class SessionAccount:
    """What was done of a session.

    Attributes:
        plan: what was to be done.
        view: where it stands.
        lines: its sets in the order in which they were done, then what was not done.
        began_at: when it began; None if it did not.
        lasted_s: from its beginning to the last event, s.
        strengths: 1RM of the day of each exercise.
        notes: sentences on the files.
    """

    plan: SessionPlanFile
    view: SessionView
    lines: tuple[SetLine, ...]
    began_at: datetime.datetime | None
    lasted_s: float
    strengths: tuple[DayStrength, ...]
    notes: tuple[str, ...]

    @property
    def lead(self) -> str:
        """The session in a sentence."""
        done = sum(line.ended is not None for line in self.lines)
        kept = sum(state.state == "done" for state in self.view.steps)
        over = f"over: {self.view.ended_because}" if self.view.ended_because else "not over"
        return (
            f"{formatting.plural(done, 'set')} in {self.lasted_s / 60.0:.1f} of {self.plan.minutes:g} min, "
            f"{kept} of {len(self.plan.steps)} planned; {over}."
        )

    @property
    def simulated(self) -> bool:
        """One of its sets was recorded on a simulated rig."""
        return any(line.recorded is not None and line.recorded.simulated for line in self.lines)

    def strength_sentences(self) -> Iterator[str]:
        """The 1RM of the day of each exercise against its profile."""
        blinded = {line.step.exercise for line in self.lines if line.blinded}
        for found in self.strengths:
            if found.exercise in blinded:
                continue
            unit = self.plan.units
            step = next(one for one in self.plan.steps if one.exercise == found.exercise)
            planned = None if step.profile is None else step.profile.one_rm_n
            against = "" if planned is None else f"; the profile had {formatting.load(planned.mean, unit)}"
            yield (
                f"{found.exercise.replace('_', ' ').capitalize()}: 1RM of the day "
                f"{formatting.load(found.one_rm_n, unit)} ({formatting.bare_load(found.one_rm_low_n, unit)} to "
                f"{formatting.load(found.one_rm_high_n, unit)}), estimated{against}."
            )


def account_of(
    plan: SessionPlanFile,
    events: Sequence[SessionEvent],
    recorded: Mapping[str, RecordedSet],
    notes: Iterable[str] = (),
) -> SessionAccount:
    """What was done, from the journal.

    Args:
        plan: what was to be done.
        events: of its journal; none for a session that did not begin.
        recorded: nonce -> recorded set.
        notes: sentences on the files.

    Raises:
        ValueError: the journal is not one of this plan.
    """
    progress = followed(plan, events)
    began = next((event for event in events if isinstance(event, Begun)), None)
    view = progress.view(events[-1].at_s if events else 0.0)
    lines: list[SetLine] = []
    armed: Armed | None = None
    begun_s = ended_s = None
    for event in events:
        if isinstance(event, Armed):
            armed, begun_s = event, None
        elif isinstance(event, SetBegun):
            begun_s = event.at_s
        elif isinstance(event, SetEnded) and armed is not None and begun_s is not None and began is not None:
            lines.append(
                SetLine(
                    step=plan.steps[armed.step - 1],
                    state="done",
                    order=armed.order,
                    ended=event,
                    rest_s=None if ended_s is None else begun_s - ended_s,
                    begun_s=begun_s - began.at_s,
                    recorded=recorded.get(event.nonce),
                )
            )
            ended_s = event.at_s
    lines += [SetLine(one.step, one.state) for one in view.steps if one.state != "done"]
    return SessionAccount(
        plan=plan,
        view=view,
        lines=tuple(lines),
        began_at=None if began is None else datetime.datetime.fromtimestamp(began.at_s),
        lasted_s=0.0 if began is None else events[-1].at_s - began.at_s,
        strengths=tuple(taught(plan, events)),
        notes=tuple(notes),
    )


def report_session(name: str, plan: SessionPlanFile, home: Path, page: Path | None, *, as_json: bool) -> Exit:
    """Show what was done of a session.

    Args:
        name: of the session.
        plan: what was to be done.
        home: the home folder.
        page: page to write; None for none.
        as_json: JSON instead of the table.

    Raises:
        CommandError: the journal is not one of this plan, or the page cannot be written.
    """
    path = journal_path(home, name)
    read = read_journal(path)
    notes = ["The last line of the journal was broken off and is left out."] if read.torn else []
    recorded, unreadable = _recorded(home / "recordings", read.events)
    try:
        account = account_of(plan, read.events, recorded, [*notes, *unreadable])
    except ValueError as error:
        raise CommandError(f"{path}: {error}", Exit.BAD_INPUT) from None
    if as_json:
        click_json(account)
    else:
        _show(account)
    if page is not None:
        text = render_session(account, HEAD, made_at=datetime.datetime.now())
        try:
            page.write_text(text, encoding="utf-8")
        except OSError as error:
            raise CommandError(f"{page}: {error.strerror}", Exit.BAD_INPUT) from None
        Terminal(stderr=as_json).print(f"The page is in {page}")
    return Exit.OK


def _recorded(folder: Path, events: Sequence[SessionEvent]) -> tuple[dict[str, RecordedSet], list[str]]:
    """The session's sets in the recordings of a folder, by nonce, and sentences on files that cannot be read."""
    nonces = {event.nonce for event in events if isinstance(event, SetEnded)}
    named = {event.recording for event in events if isinstance(event, SetEnded)}
    found: dict[str, RecordedSet] = {}
    problems = []
    for path in sorted(folder.glob("*.mcap")) if nonces else []:
        at_the_time = events[0].at_s - _AROUND_S <= path.stat().st_mtime <= events[-1].at_s + _AROUND_S
        if path.name not in named and not at_the_time:
            continue
        try:
            found |= {item.nonce: item for item in read_source(path).sets if item.nonce in nonces}
        except ValueError as error:
            problems.append(str(error))
    return found, problems


def _show(account: SessionAccount) -> None:
    console = Terminal()
    console.print(f"{account.plan.name}, lifter {account.plan.lifter}", style="bold")
    console.print(account.lead + "\n")
    table = Table(box=None, pad_edge=False, header_style="dim")
    for head in HEAD:
        table.add_column(head, overflow="fold")
    for line in account.lines:
        table.add_row(*line.cells())
    console.print(table)
    console.print()
    for sentence in (*account.strength_sentences(), *account.notes):
        console.print(sentence)


def click_json(account: SessionAccount) -> None:
    """Write an account as JSON to standard output."""
    import click

    told: dict[str, Any] = {
        "name": account.plan.name,
        "lifter": account.plan.lifter,
        "began_at": None if account.began_at is None else account.began_at.isoformat(),
        "lasted_s": account.lasted_s,
        "phase": account.view.phase,
        "ended_because": account.view.ended_because,
        "sets": [
            {
                "step": line.step.step,
                "title": line.step.title,
                "state": line.state,
                "rest_s": None if line.blinded else line.rest_s,
                "start_n": None if line.blinded or line.order is None else line.order.load.start_n,
                "ended": None if line.blinded or line.ended is None else line.ended.model_dump(mode="json"),
            }
            for line in account.lines
        ],
        "notes": list(account.notes),
    }
    click.echo(formatting.visible(json.dumps(told, ensure_ascii=False, indent=2)))
