"""Terminal tables of a set: repetitions, decisions, and why it ended.

This module turns the controller's records into rich renderables; it computes and decides nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from ebbset.controller.messages.actions import Decision, RepetitionRecord, SetResult
from ebbset.controller.messages.endings import said_of
from ebbset.controller.recording.recorded_set import Moment
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.units import LoadUnit

_SIDES = ("left", "right")


def repetition_table(
    repetitions: Sequence[RepetitionRecord], unit: LoadUnit, *, tried: Sequence[RepetitionRecord] = ()
) -> Table:
    """Make a table with a row per repetition that fits 80 columns.

    The cable is shown when there are two, capacity and fatigue when they are known. Each column head has its unit below
    it; mean and peak are concentric velocities; step ``1.2`` is bout 1, second load.

    Args:
        repetitions: repetitions in order.
        unit: unit in which loads are shown.
        tried: the same at the loads they were tried at, from `attempts_of`; empty: no load dropped in a repetition.
    """
    two = any(record.cable > 0 for record in repetitions)
    known = any(record.capacity_n is not None for record in repetitions)
    table = Table(box=None, pad_edge=False, header_style="dim")
    heads = ["rep", *(["side"] if two else []), "step", f"load\n{unit}", "mean\nm/s", "peak\nm/s", "ROM\nm", "time\ns"]
    heads += [f"capacity\n{unit} ± 80 %", "lost"] if known else []
    for head in heads:
        table.add_column(head, justify="left" if head == "side" else "right", no_wrap=True)
    table.add_column("", no_wrap=True)
    for record, begun in zip(repetitions, tried or repetitions, strict=True):
        row = [str(record.index), *([_SIDES[record.cable]] if two else [])]
        row += [
            f"{begun.bout + 1}.{begun.step + 1}",
            formatting.bare_load(begun.load_n, unit),
            formatting.number(record.mean_velocity_m_s),
            formatting.number(record.peak_velocity_m_s),
            formatting.number(record.rom_m),
            formatting.number((record.t_end_us - record.t_start_us) / 1e6, 1),
        ]
        if known:
            row += [capacity(record, unit), formatting.part(record.budget_spent)]
        completed = record.outcome is RepetitionOutcome.COMPLETED
        ended = formatting.outcome(record.outcome, begun.load_n, record.load_n, unit)
        table.add_row(*row, ended, style="" if completed else "italic")
    return table


def capacity(record: RepetitionRecord, unit: LoadUnit) -> str:
    """Format the momentary capacity and half its 80 % interval, as the page does.

    Args:
        record: the repetition.
        unit: unit in which the capacity is shown.
    """
    if record.capacity_n is None:
        return formatting.NONE
    spread = (
        "" if record.capacity_sd_n is None else f" ± {formatting.bare_load(Z_INTERVAL * record.capacity_sd_n, unit)}"
    )
    return formatting.bare_load(record.capacity_n, unit) + spread


def decision_lines(moments: Sequence[Moment], unit: LoadUnit) -> Table:
    """Make a table with a row per decision: when, what, the load, why, and the numbers behind it.

    Args:
        moments: decisions in order, each with its time on the axis that the page uses too.
        unit: unit in which loads are shown.
    """
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(justify="right", style="dim", no_wrap=True)
    table.add_column(style="bold", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    for moment in moments:
        decision = moment.decision
        detail = decision_detail(decision, unit)
        table.add_row(
            formatting.moment(moment.t_s),
            formatting.ACTIONS.get(decision.action, decision.action),
            formatting.load_change(decision.from_n, decision.to_n, unit),
            Text.assemble(said_of(decision), ("\n" + detail if detail else "", "dim")),
        )
    return table


def decision_detail(decision: Decision, unit: LoadUnit) -> str:
    """Format the numbers behind a decision, the thresholds they were compared with, and what limited it.

    Args:
        decision: the decision.
        unit: unit in which loads are shown.
    """
    parts = []
    if decision.inputs:
        parts.append("; ".join(formatting.quantity(name, value, unit) for name, value in decision.inputs))
    if decision.thresholds:
        parts.append(
            "against " + "; ".join(formatting.quantity(name, value, unit) for name, value in decision.thresholds)
        )
    if decision.limited_by:
        parts.append("narrowed by " + ", ".join(limit.value.replace("_", " ") for limit in decision.limited_by))
    return " — ".join(parts)


def result_line(result: SetResult | None, unit: LoadUnit, *, because: str | None = None) -> Text:
    """Describe the result of the set in one paragraph.

    Args:
        result: the result; None when the recording ends before the set.
        unit: unit in which loads are shown.
        because: why it ended, where more is known than the result says.
    """
    if result is None:
        return Text("The recording ends before the set did; the report shows what was recorded until then.")
    text = Text()
    text.append(summary(result, unit))
    text.append(f" It ended because: {because or result.text}", style="bold")
    if result.guard_refusals:
        text.append(
            f" {formatting.plural(result.guard_refusals, 'command')} refused by the guard: a defect, please report."
        )
    return text


def summary(result: SetResult, unit: LoadUnit) -> str:
    """Describe the set in a sentence.

    Args:
        result: the result.
        unit: unit in which loads are shown.
    """
    spent = (
        "" if result.budget_spent is None else f"; estimated loss of capacity {formatting.part(result.budget_spent)}"
    )
    return (
        f"{formatting.plural(result.repetitions, 'repetition')}, {formatting.plural(result.drops, 'drop')}, "
        f"{formatting.plural(result.bouts, 'bout')} in {formatting.seconds(result.duration_s)}; "
        f"last load {formatting.loads(result.final_load_n, unit)}{spent}."
    )
