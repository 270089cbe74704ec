"""The report as one HTML file: the template filled from `recorded_set`, `figures` and `next_set`.

The page is self-contained: no script, no request, its own style. It can be printed and works in light and dark. This
module arranges what the page says about a set; it computes nothing about it.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from importlib.metadata import version
from typing import Any, Final

from markupsafe import Markup

from ebbset.coaching.worth import estimated
from ebbset.console.report import course, figures, html_pieces, worth_section
from ebbset.console.report.prescription_text import prescription_lines
from ebbset.console.report.svg import Drawing
from ebbset.console.report.terminal_report import all_advice
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.messages.endings import said_of
from ebbset.controller.recording.recorded_set import Moment, RecordedSet
from ebbset.controller.recording.sources import SIMULATED, Source
from ebbset.models.contract import formatting
from ebbset.models.contract.cautions import CAUTIONS
from ebbset.models.contract.constants import Z_INTERVAL

_SIDES: Final = ("left", "right")

READING: Final = (
    "Load is newtons at the handle, shown in the unit of the prescription. A diamond marks a stall: the lifter was "
    "still under the load and the handle no longer rose. Capacity is the load that could just be lifted once at that "
    "moment, estimated from load and velocity and from stalls; the loss of capacity is its fall from fresh. Both are "
    "estimates with a range. If the estimate is sound, the shaded band contains the value four times out of five.",
    "Filled circles are completed repetitions, open circles partial ones, crosses failed ones. With two cables, "
    "squares and dashed lines are the second side.",
    "Each decision names the rule it came from, what was measured, and the thresholds it was compared with. The "
    "recording holds every input in order: `ebbset replay` runs it through the controller again and says whether each "
    "decision is the same, bit for bit.",
)


def render(sources: Sequence[Source], *, made_at: datetime.datetime) -> str:
    """Render the page as HTML.

    Args:
        sources: recordings in the order to show them, with at least one set.
        made_at: time to print in the footer.

    Raises:
        ValueError: none of the recordings holds a set.
    """
    template = html_pieces.environment().get_template("report.html")
    style = html_pieces.style()
    return formatting.visible(template.render(page=_page(sources, made_at), style=style, within=False))


def render_body(sources: Sequence[Source], *, made_at: datetime.datetime) -> Markup:
    """Render what stands between the page's head and its end, for another page whose style sheet holds this one's.

    Args:
        sources: recordings in the order to show them, with at least one set.
        made_at: time to print in the footer.

    Raises:
        ValueError: none of the recordings holds a set.
    """
    template = html_pieces.environment().get_template("report_body.html")
    return Markup(formatting.visible(template.render(page=_page(sources, made_at), within=True)))


def _page(sources: Sequence[Source], made_at: datetime.datetime) -> dict[str, Any]:
    items = [(source, item) for source in sources for item in source.sets]
    if not items:
        raise ValueError("sources hold no set; allowed: at least one armed set")
    sets = [_set(item, source, f"set{number}") for number, (source, item) in enumerate(items, start=1)]
    first = items[0][1]
    one = len(items) == 1
    simulated = SIMULATED if any(item.simulated for _, item in items) else None
    return {
        "title": first.prescription.name if one else f"{len(items)} sets",
        "kicker": _kicker(first) if one else f"Set report · {_span_of_days(items)}",
        "simulated": simulated,
        "lifters": sorted({name for _, item in items for name in item.people}),
        "notes": [f"{source.name}: {sentence}" for source in sources for sentence in source.missing],
        "course": course.section([item for _, item in items]),
        "sets": sets,
        "reading": READING,
        "cautions": CAUTIONS,
        "footer": f"Made with ebbset {version('ebbset')} on {made_at:%Y-%m-%d %H:%M}. Estimates are estimates; "
        "decisions about training and health are for the lifter, the coach and, where it matters, a doctor.",
    }


def _set(item: RecordedSet, source: Source, key: str) -> dict[str, Any]:
    unit = item.prescription.units
    has_capacity = item.last_known() is not None
    worth = estimated(item)
    return {
        "key": key,
        "nav": f"{_day(item)}, {item.prescription.name}",
        "heading": f"{item.prescription.name}, {_day(item)}",
        "lead": _lead(item),
        "why": item.ended_because or "The recording ends before the set did.",
        "facts": _facts(item),
        "next": [(a.about, f"{a.answer}.", a.because) for a in all_advice(item)],
        "trace": _both(figures.trace, item, f"{key}-t"),
        "trace_caption": "Shaded: concentric phases. Diamonds: stalls. The filled area is the load that the rig "
        "reports, the line the load that the controller commanded.",
        "velocities": _both(figures.velocities, item, f"{key}-v"),
        "velocities_caption": "Each mark is one repetition. Shading separates one load from the next.",
        "capacity": _both(figures.capacity, item, f"{key}-c") if has_capacity else None,
        "capacity_caption": "Where capacity meets the load, the next repetition is the last at that load. Stems are "
        "the 80 % range of the loss. It is narrower than that of capacity, because an error of the load–velocity line "
        "blurs capacity but hardly the loss.",
        "stimulus": None if worth is None else worth_section.section(item, worth, f"{key}-s"),
        "decisions": [_decision(moment, item) for moment in item.moments],
        "repetitions": _repetition_table(item),
        "order": prescription_lines(item.prescription),
        "provenance": _provenance(item, source, unit),
    }


def _kicker(item: RecordedSet) -> str:
    parts = ["Set report", _day(item), item.prescription.exercise.replace("_", " ")]
    if item.person:
        parts.append(f"lifter {item.person}")
    if item.rig:
        parts.append(f"rig {item.rig}")
    return " · ".join(part for part in parts if part)


def _day(item: RecordedSet) -> str:
    return "date unknown" if item.begun_at is None else f"{item.begun_at:%-d %B %Y, %H:%M}"


def _span_of_days(items: Sequence[tuple[Source, RecordedSet]]) -> str:
    days = sorted(item.begun_at for _, item in items if item.begun_at is not None)
    if not days:
        return "dates unknown"
    return f"{days[0]:%-d %B %Y}" + (f" to {days[-1]:%-d %B %Y}" if days[-1].date() != days[0].date() else "")


def _lead(item: RecordedSet) -> str:
    unit, result = item.prescription.units, item.result
    done = len([r for r in item.repetitions if r.cable == 0 and r.outcome.value == "completed"])
    drops = [m for m in item.moments if m.decision.action == "drop"]
    start = formatting.load(item.prescription.load.start_n, unit)
    if result is None:
        return f"{formatting.plural(done, 'repetition')} from {start}."
    last = formatting.loads(result.final_load_n, unit)
    fell = f"{formatting.plural(len(drops), 'drop')} from {start} to {last}" if drops else f"all at {start}"
    return f"{formatting.plural(result.repetitions, 'repetition')} in {formatting.seconds(result.duration_s)}, {fell}."


def _facts(item: RecordedSet) -> list[tuple[str, str, str]]:
    unit, last, fresh_n = item.prescription.units, item.last_known(), item.fresh_n()
    done = [r for r in item.repetitions if r.outcome.value == "completed" and r.cable == 0]
    facts = []
    if done:
        first = [r for r in done if (r.bout, r.step) == (done[0].bout, done[0].step) and not r.load_changed]
        best, at = max(r.mean_velocity_m_s for r in first or done[:1]), formatting.load(done[0].load_n, unit)
        last_m_s = (first or done)[-1].mean_velocity_m_s
        facts.append(("Velocity", f"{best:.2f} → {last_m_s:.2f} m/s", f"fastest, last repetition at {at}"))
    lifting_s = sum(b - a for (a, b), r in zip(item.repetition_spans_s, item.repetitions, strict=True) if r.cable == 0)
    facts.append(("Concentric work", formatting.seconds(lifting_s), "time moving the load up"))
    if last is not None and fresh_n is not None:
        spread = Z_INTERVAL * (item.fresh_sd_n() or 0.0)
        facts.append(
            (
                "1RM of the day",
                formatting.load(fresh_n, unit),
                f"estimated{', per cable' if item.trace.cables > 1 else ''}, "
                f"± {formatting.load(spread, unit)} (80\u00a0%)",
            )
        )
        limit = item.prescription.budget.capacity_loss
        facts.append(
            (
                "Capacity lost",
                formatting.part(item.loss_at_end()),
                f"estimated; budget {formatting.part(limit)}"
                if limit is not None
                else "estimated; no limit on it prescribed",
            )
        )
    if item.profile is not None and item.profile.one_rm_n is not None:
        one_rm = item.profile.one_rm_n
        facts.append(
            (
                "1RM in the profile",
                formatting.load(one_rm.mean, unit),
                f"± {formatting.load(Z_INTERVAL * one_rm.sd, unit)} (80\u00a0%), of {item.profile.date}",
            )
        )
    return facts


def _decision(moment: Moment, item: RecordedSet) -> dict[str, Any]:
    decision, unit = moment.decision, item.prescription.units
    side = "" if decision.cable is None or item.trace.cables < 2 else f", {_SIDES[decision.cable]} side"
    return {
        "when": formatting.moment(moment.t_s),
        "what": formatting.ACTIONS.get(decision.action, decision.action) + side,
        "change": formatting.load_change(decision.from_n, decision.to_n, unit) if decision.action != "arm" else "",
        "why": said_of(decision),
        "code": decision.reason.value,
        "stall": moment.is_stall,
        "inputs": [formatting.labelled(name, value, unit) for name, value in decision.inputs],
        "thresholds": [formatting.labelled(name, value, unit) for name, value in decision.thresholds],
        "limits": ", ".join(limit.value.replace("_", " ") for limit in decision.limited_by),
    }


def _repetition_table(item: RecordedSet) -> dict[str, Any]:
    unit = item.prescription.units
    two = any(r.cable > 0 for r in item.repetitions)
    head = ["rep", *(["side"] if two else []), f"load, {unit}", "mean, m/s", "peak, m/s", "ROM, m"]
    head += ["time, s", f"capacity, {unit} ± 80 %", "lost ± 80 %", "outcome"]
    rows = []
    before: tuple[int, int] | None = None
    for record, tried in zip(item.repetitions, item.attempts.records, strict=True):
        here = (tried.bout, tried.step)
        style = " ".join(
            name
            for name, holds in (
                ("step", before is not None and here != before),
                ("other", record.outcome.value != "completed"),
            )
            if holds
        )
        before = here
        rows.append((style, _row(record, tried, item, two=two)))
    return {"caption": "", "head": head, "rows": rows, "text": {"side", "outcome"}}


def _row(record: RepetitionRecord, tried: RepetitionRecord, item: RecordedSet, *, two: bool) -> list[str]:
    unit = item.prescription.units
    known = formatting.bare_load(record.capacity_n, unit)
    if record.capacity_sd_n is not None:
        known += f" ± {formatting.bare_load(Z_INTERVAL * record.capacity_sd_n, unit)}"
    lost = formatting.part(record.budget_spent)
    if record.budget_sd is not None:
        lost += f" ± {formatting.part(Z_INTERVAL * record.budget_sd)}"
    return [
        str(record.index),
        *([_SIDES[record.cable]] if two else []),
        formatting.bare_load(tried.load_n, unit),
        formatting.number(record.mean_velocity_m_s),
        formatting.number(record.peak_velocity_m_s),
        formatting.number(record.rom_m),
        formatting.number((record.t_end_us - record.t_start_us) / 1e6, 1),
        known,
        lost,
        formatting.outcome(record.outcome, tried.load_n, record.load_n, unit),
    ]


def _provenance(item: RecordedSet, source: Source, unit: str) -> str:
    parts = [f"Recording {source.name}", f"prescription {item.prescription.digest()[:16]}", f"nonce {item.nonce}"]
    if source.versions:
        parts.append(source.versions)
    parts.append(f"loads in {unit}, standard gravity 9.80665 m/s²")
    return "; ".join(parts) + "."


# --- pieces of the page -----------------------------------------------------------------------------------------


def _both(draw: Any, item: RecordedSet, key: str) -> tuple[Drawing, Drawing]:
    return draw(item, figures.WIDE, f"{key}w"), draw(item, figures.NARROW, f"{key}n")
