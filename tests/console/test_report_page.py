"""The page of a report: its figures are those of the recording, it stands by itself, and everybody can read it."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from itertools import pairwise

import pytest
from rich.console import Console

from ebbset.console.report import terminal_tables
from ebbset.console.report.html_pieces import style
from ebbset.controller.messages.endings import said_of
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import SIMULATED
from ebbset.models.contract import formatting
from ebbset.models.contract.units import LoadUnit
from tests.support.reports import PageReader


def test_the_page_needs_nothing_but_itself(page: str) -> None:
    found = PageReader(page)
    assert not list(found.all("script"))
    assert not list(found.all("link"))
    assert not list(found.all("img"))
    assert not re.findall(r"url\(|@import|https?://", page)
    policy = [m["content"] for m in found.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_the_page_can_be_read_without_seeing_it(page: str) -> None:
    found = PageReader(page)
    assert next(found.all("html")).get("lang") == "en"
    ids = [a["id"] for _, a in found.elements if "id" in a]
    assert len(ids) == len(set(ids))
    for _, attributes in found.elements:
        for name in (attributes.get("aria-labelledby") or "").split():
            assert name in ids
    drawings = list(found.all("svg"))
    assert len(drawings) >= 6
    for drawing in drawings:
        assert drawing.get("role") == "img"
        assert drawing.get("aria-labelledby")
    assert sum(1 for _ in found.all("desc")) == len(drawings)
    assert all(head.get("scope") == "col" for head in found.all("th"))
    levels = [int(tag[1]) for tag, _ in found.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_names_from_files_cannot_become_markup(page: str) -> None:
    assert "Press &lt;before&gt; dinner &amp; after" in page
    assert "<before>" not in page


def test_the_repetition_table_is_the_recording_in_kilograms(page: str, item: RecordedSet) -> None:
    table = next(t for t in PageReader(page).tables if t[0][0] == "rep" and "outcome" in t[0])
    head, rows = table[0], table[1:]
    assert len(rows) == len(item.repetitions)
    for cells, record, tried in zip(rows, item.repetitions, item.attempts.records, strict=True):
        told = dict(zip(head, cells, strict=True))
        assert told["load, kg"] == f"{tried.load_n / 9.80665:.1f}"
        assert told["mean, m/s"] == f"{record.mean_velocity_m_s:.2f}"
        assert told["time, s"] == f"{(record.t_end_us - record.t_start_us) / 1e6:.1f}"
        assert record.capacity_n is not None
        assert told["capacity, kg ± 80 %"].startswith(f"{record.capacity_n / 9.80665:.1f} ± ")


def test_every_decision_stands_on_the_page_with_its_reason_and_numbers(page: str, item: RecordedSet) -> None:
    text = "".join(PageReader(page).text)
    for moment in item.moments:
        assert said_of(moment.decision) in text
        assert moment.decision.reason.value in text
    stall = next(m.decision for m in item.moments if m.is_stall)
    assert f"{dict(stall.thresholds)['velocity_m_s']:.2f} m/s" in text


def test_simulated_sets_say_so_and_estimates_are_called_estimates(page: str) -> None:
    text = "".join(PageReader(page).text)
    assert SIMULATED in text
    assert "relative, estimated" in text
    assert "No figure here is a measurement" in text
    assert "see a doctor" in text


@pytest.mark.parametrize("unit", ["kg", "lb", "N"])
def test_heads_of_the_repetition_table_carry_their_units(item: RecordedSet, page: str, unit: LoadUnit) -> None:
    """Each figure of a row under the unit that the record's own field names, in 80 columns, two cables too."""
    both = [replace(r, cable=c, index=100 + r.index) for r in item.repetitions[:3] for c in (0, 1)]
    for records in (item.repetitions, both):
        console = Console(width=80, file=io.StringIO(), record=True)
        console.print(terminal_tables.repetition_table(records, unit))
        names, units, first = console.export_text().splitlines()[:3]
        assert "…" not in names + units + first
        for name, wanted, value in (
            ("load", unit, formatting.bare_load(records[0].load_n, unit)),
            ("mean", "m/s", f"{records[0].mean_velocity_m_s:.2f}"),
            ("peak", "m/s", f"{records[0].peak_velocity_m_s:.2f}"),
            ("ROM", "m", f"{records[0].rom_m:.2f}"),
            ("time", "s", f"{(records[0].t_end_us - records[0].t_start_us) / 1e6:.1f}"),
            ("capacity", f"{unit} ± 80 %", terminal_tables.capacity(records[0], unit)),
        ):
            # Columns are flush right: name, unit and figure end in the same place.
            end = names.index(name) + len(name)
            assert units[:end].endswith(f" {wanted}")
            assert first[:end].endswith(f" {value}")
    for head in ("load, kg", "mean, m/s", "peak, m/s", "ROM, m", "time, s", "capacity, kg ± 80 %"):
        assert f">{head}</th>" in page


def _luminance(colour: str) -> float:
    """Relative luminance of sRGB, WCAG 2.2, definition of "relative luminance"."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_and_marks_stand_out_in_light_and_dark() -> None:
    """WCAG 2.2: 1.4.3 asks 4.5 for text, 1.4.11 asks 3 for marks that carry meaning."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    css = str(style())
    blocks = re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    assert len(blocks) == 3
    for block in blocks[:2]:
        colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block))
        for name in ("ink", "quiet"):
            for ground in ("paper", "tint", "lift"):
                assert _contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
        for name in ("load", "velocity", "capacity", "worth", "limit"):
            for ground in ("paper", "tint"):
                assert _contrast(colours[name], colours[ground]) >= 3.0, (name, ground)
