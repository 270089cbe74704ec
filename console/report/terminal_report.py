"""The report of one set in the terminal: heading, repetitions, decisions, ending, advice."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from ebbset.coaching.next_set import Advice, advice, advised_rest_s
from ebbset.coaching.worth import estimated
from ebbset.console.report import terminal_tables
from ebbset.console.report.worth_section import another_set
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import SIMULATED


def show(item: RecordedSet, console: Console) -> None:
    """Print one set.

    Args:
        item: the recorded set.
        console: terminal to print to.
    """
    unit = item.prescription.units
    console.print()
    day = "" if item.begun_at is None else f", {item.begun_at:%Y-%m-%d %H:%M}"
    console.print(Text(f"{item.prescription.name}{day}", style="bold"))
    if item.simulated:
        console.print(Text(f"Simulated. {SIMULATED}", style="italic"))
    console.print(terminal_tables.result_line(item.result, unit, because=item.ended_because))
    console.print()
    if item.repetitions:
        console.print(terminal_tables.repetition_table(item.repetitions, unit, tried=item.attempts.records))
        console.print()
    console.print(terminal_tables.decision_lines(item.moments, unit))
    console.print()
    worth = estimated(item)
    if worth is not None:
        total = worth.total
        console.print(
            f"Estimated worth, relative: {total.middle:.1f} ({total.low:.1f} to {total.high:.1f}) fresh repetitions at "
            f"failure; {worth.hard_repetitions:.0f} hard repetitions. An estimate from groups, not a measurement."
        )
    for piece in all_advice(item):
        console.print(Text.assemble((f"{piece.about}: ", "dim"), (piece.answer, "bold"), f". {piece.because}"))


def all_advice(item: RecordedSet) -> list[Advice]:
    """Return the advice on rest, another such set and start load, in the order in which a coach asks."""
    found = advice(item)
    more = another_set(item, advised_rest_s(item))
    return [found[0], *([more] if more is not None else []), *found[1:]]
