"""The section of the page about what the repetitions were probably worth: figure, text, table. Relative, estimated.

Estimates come from `coaching.worth`; the wording here makes clear that they are not measurements.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from ebbset.coaching.assumptions import report_draws
from ebbset.coaching.next_set import Advice, loss_after
from ebbset.coaching.worth import RepetitionWorth, SetWorth, SlowPair, worth_again
from ebbset.console.report.figures import NARROW, WIDE, load_groups, order_of
from ebbset.console.report.svg import Drawing, Panel
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.physiology.stimulus import ASSUMPTIONS

_MOVERS_SHOWN: Final = 3
_SIDES: Final = ("left", "right")


def section(item: RecordedSet, found: SetWorth, key: str) -> dict[str, Any]:
    """Make the values that the template needs for this section.

    Args:
        item: the recorded set.
        found: estimated worth of its repetitions.
        key: prefix of the ids in the drawings, unique on the page.
    """
    return {
        "lead": f"In all about {found.total.middle:.1f} ({found.total.low:.1f} to {found.total.high:.1f}) times a "
        f"fresh repetition at failure; relative, estimated. {_count(found.hard_repetitions)} hard, with at most four "
        "repetitions in reserve.",
        "figure": (_figure(item, found, WIDE, f"{key}w"), _figure(item, found, NARROW, f"{key}n")),
        "caption": "1 is a completed repetition at failure without fatigue. Lines are 80 % ranges over the draws of "
        "the assumptions. No figure here is a measurement; what makes a muscle grow is known from groups, with wide "
        "error, and not for one person.",
        "paragraphs": [text for text in (_pair(found), _movers(found)) if text],
        "table": _table(item, found),
    }


def another_set(item: RecordedSet, rest_s: float) -> Advice | None:
    """Estimate what another set like this one would probably add after a rest, and what it would cost.

    Args:
        item: the recorded set.
        rest_s: rest before the other set, s.

    Returns:
        the advice; None without an estimate of the loss or without repetitions.
    """
    loss = item.loss_at_end()
    if loss is None or not item.repetitions:
        return None
    draws, decisions = report_draws(), [moment.decision for moment in item.moments]
    least, most = loss_after(loss, rest_s)
    middle = worth_again(item.repetitions, (least + most) / 2.0, draws, decisions).middle
    low = worth_again(item.repetitions, most, draws, decisions).low
    high = worth_again(item.repetitions, least, draws, decisions).high
    minutes = (rest_s + item.duration_s) / 60.0
    return Advice(
        "Another such set",
        f"adds about {middle:.0%} of this one".replace("%", " %"),
        f"From {low:.0%} to {high:.0%}, relative, estimated, for {minutes:.0f} min more, rest included: the "
        "same repetitions, begun with the fatigue that this rest leaves. Later sets in a week are known to add less "
        "than earlier ones; this figure does not include that.".replace("%", " %"),
    )


def _count(hard: float) -> str:
    return f"{hard:.0f} repetition{'s were' if round(hard) != 1 else ' was'}"


def _pair(found: SetWorth) -> str:
    """Describe two equally slow repetitions and how certain it is that fatigue makes them worth different amounts."""
    pair = found.slow_pair
    if pair is None:
        return ""
    fresher, deeper = found.repetitions[pair.fresher], found.repetitions[pair.deeper]
    return (
        f"Repetitions {fresher.record.index} and {deeper.record.index} were equally slow "
        f"({fresher.record.mean_velocity_m_s:.2f} and {deeper.record.mean_velocity_m_s:.2f} m/s), the first with "
        f"{formatting.part(fresher.fatigue)} of capacity lost, the second with {formatting.part(deeper.fatigue)}. "
        "The second is "
        f"estimated to be worth {pair.ratio} of the first; in {formatting.part(pair.sure)} of the draws it is worth "
        "less. "
        "Both are marked in the figure."
    )


def _movers(found: SetWorth) -> str:
    named = [
        f"{ASSUMPTIONS[name].label} ({formatting.part(share)} of the variance)"
        for name, share in list(found.moved_by.items())[:_MOVERS_SHOWN]
        if share > 0
    ]
    return "What affects the total most: " + "; ".join(named) + "." if named else ""


def _figure(item: RecordedSet, found: SetWorth, width: float, key: str) -> Drawing:
    order = order_of(item.repetitions)
    count = max(order, default=0) + 1
    drawing = Drawing(width, 300.0, "Estimated relative worth of each repetition", _summary(found), key)
    highest = max([1.0, *(each.relative.high for each in found.repetitions)])
    panel = Panel(46.0, 40.0, width - 60.0, 206.0, 0.0, count + 1.0, 0.0, highest * 1.15)
    load_groups(drawing, panel, item.attempts.records, order, item.prescription.units, "relative worth, estimated")
    picked = _picked(found.slow_pair)
    for number, (place, each) in enumerate(zip(order, found.repetitions, strict=True)):
        x = panel.x(place + 1.0) + (0.0 if each.record.cable == 0 else 3.5)
        drawing.line(x, panel.y(each.relative.low), x, panel.y(each.relative.high), "range-worth")
        drawing.mark(
            "dot" if each.record.cable == 0 else "square",
            x,
            panel.y(each.relative.middle),
            3.8 if width > NARROW else 3.0,
            "point-worth",
            f"repetition {each.record.index}: {each.relative}, {each.reserve:.1f} in reserve",
        )
        if number in picked:
            drawing.mark("halo", x, panel.y(each.relative.middle), 8.5, "pick")
    drawing.axis_x(panel, "repetition", wanted=5 if width <= NARROW else 12, counted_to=count)
    return drawing


def _picked(pair: SlowPair | None) -> tuple[int, ...]:
    return () if pair is None else (pair.fresher, pair.deeper)


def _summary(found: SetWorth) -> str:
    best = max(found.repetitions, key=lambda each: each.relative.middle)
    return f"Total {found.total}. The repetition worth most is {best.record.index}, {best.relative}."


def _table(item: RecordedSet, found: SetWorth) -> dict[str, Any]:
    two = any(record.cable > 0 for record in item.repetitions)
    head = [
        "rep",
        *(["side"] if two else []),
        "mean, m/s",
        "in reserve ± 80 %",
        "capacity lost",
        "worth, relative",
        "range",
    ]
    rows = [(_style(each, before), _row(each, two=two)) for each, before in _with_before(found.repetitions)]
    return {"caption": "Worth of each repetition: relative, estimated.", "head": head, "rows": rows, "text": {"side"}}


def _with_before(all_of: Sequence[RepetitionWorth]) -> list[tuple[RepetitionWorth, RepetitionWorth | None]]:
    return list(zip(all_of, [None, *all_of[:-1]], strict=True))


def _style(each: RepetitionWorth, before: RepetitionWorth | None) -> str:
    changed = before is not None and (before.record.bout, before.record.step) != (each.record.bout, each.record.step)
    return "step" if changed else ""


def _row(each: RepetitionWorth, *, two: bool) -> list[str]:
    return [
        str(each.record.index),
        *([_SIDES[each.record.cable]] if two else []),
        formatting.number(each.record.mean_velocity_m_s),
        f"{each.reserve:.1f} ± {Z_INTERVAL * each.reserve_sd:.1f}",
        formatting.part(each.fatigue),
        f"{each.relative.middle:.2f}",
        f"{each.relative.low:.2f} to {each.relative.high:.2f}",
    ]
