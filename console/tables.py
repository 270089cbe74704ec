"""A set in the terminal: a table of repetitions, a line a decision, why it ended.

Takes the core's records and gives rich renderables; nothing is computed or decided here.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text

from ebbset.console import words
from ebbset.controller.actions import Decision, RepetitionRecord, SetResult
from ebbset.models.units import LoadUnit

_SIDES = ("left", "right")


def repetition_table(repetitions: Sequence[RepetitionRecord], unit: LoadUnit) -> Table:
    """A row a repetition; the cable is shown when there are two, capacity and fatigue when they are known."""
    two = any(record.cable > 0 for record in repetitions)
    known = any(record.capacity_n is not None for record in repetitions)
    table = Table(box=None, pad_edge=False, header_style="dim", row_styles=("",))
    table.add_column("rep", justify="right")
    if two:
        table.add_column("side")
    table.add_column("bout.step", justify="right")
    table.add_column(f"load {unit}", justify="right")
    table.add_column("mean m/s", justify="right")
    table.add_column("peak", justify="right")
    table.add_column("slowest", justify="right")
    table.add_column("ROM m", justify="right")
    table.add_column("s", justify="right")
    if known:
        table.add_column(f"capacity {unit}", justify="right")
        table.add_column("capacity lost", justify="right")
    table.add_column("")
    for record in repetitions:
        row = [str(record.index)]
        if two:
            row.append(_SIDES[record.cable])
        row += [
            f"{record.bout + 1}.{record.step + 1}",
            words.bare_load(record.load_n, unit),
            words.number(record.mean_velocity_m_s),
            words.number(record.peak_velocity_m_s),
            words.number(record.min_velocity_m_s),
            words.number(record.rom_m),
            words.number((record.t_end_us - record.t_start_us) / 1e6, 1),
        ]
        if known:
            row += [capacity(record, unit), words.part(record.budget_spent)]
        row.append(words.OUTCOMES[record.outcome])
        table.add_row(*row, style="" if record.outcome.value == "completed" else "italic")
    return table


def capacity(record: RepetitionRecord, unit: LoadUnit) -> str:
    """Momentary capacity and its standard deviation."""
    if record.capacity_n is None:
        return words.NONE
    spread = "" if record.capacity_sd_n is None else f" ± {words.bare_load(record.capacity_sd_n, unit)}"
    return words.bare_load(record.capacity_n, unit) + spread


def decision_lines(decisions: Sequence[Decision], unit: LoadUnit, *, begun_us: int | None = None) -> Group:
    """A line a decision: when, what, the load, why; and under it the numbers that it rested on.

    Args:
        decisions: in order.
        unit: unit that loads are shown in.
        begun_us: controller clock at which the set's time starts; the first decision's when left out.
    """
    start_us = begun_us if begun_us is not None else (decisions[0].now_us if decisions else 0)
    lines = []
    for decision in decisions:
        line = Text()
        line.append(f"{(decision.now_us - start_us) / 1e6:7.2f} s  ", style="dim")
        line.append(f"{words.ACTIONS.get(decision.action, decision.action):<8}", style="bold")
        line.append(f"{words.decision_change(decision, unit):<18}  ")
        line.append(decision.text)
        lines.append(line)
        detail = decision_detail(decision, unit)
        if detail:
            lines.append(Text(f"{'':11}{detail}", style="dim"))
    return Group(*lines)


def decision_detail(decision: Decision, unit: LoadUnit) -> str:
    """The numbers a decision rested on, what they were held against, and what narrowed it."""
    parts = []
    if decision.inputs:
        parts.append("; ".join(words.quantity(name, value, unit) for name, value in decision.inputs))
    if decision.thresholds:
        parts.append("against " + "; ".join(words.quantity(name, value, unit) for name, value in decision.thresholds))
    if decision.limited_by:
        parts.append("narrowed by " + ", ".join(limit.value.replace("_", " ") for limit in decision.limited_by))
    return " — ".join(parts)


def result_line(result: SetResult | None, unit: LoadUnit) -> Text:
    """What the set came to, in one paragraph."""
    if result is None:
        return Text("The recording ends before the set did; what is shown is what was written up to there.")
    text = Text()
    text.append(summary(result, unit))
    text.append(f" It ended because: {result.text}", style="bold")
    if result.guard_refusals:
        text.append(f" {words.plural(result.guard_refusals, 'command')} refused by the guard: a defect, please report.")
    return text


def summary(result: SetResult, unit: LoadUnit) -> str:
    """The set in a sentence."""
    spent = "" if result.budget_spent is None else f"; estimated loss of capacity {words.part(result.budget_spent)}"
    return (
        f"{words.plural(result.repetitions, 'repetition')}, {words.plural(result.drops, 'drop')}, "
        f"{words.plural(result.bouts, 'bout')} in {words.seconds(result.duration_s)}; "
        f"last load {words.loads(result.final_load_n, unit)}{spent}."
    )
