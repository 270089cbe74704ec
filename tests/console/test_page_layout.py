"""The page on a phone: what matters first, the rest folded, tables that hint at more; commands in their own type."""

from __future__ import annotations

import datetime
import lzma
import re
from dataclasses import replace
from pathlib import Path

import pytest

from ebbset.console.report import figures, page
from ebbset.controller.recording.sources import Source, read_source

KEPT = Path(__file__).parents[1] / "data" / "recordings" / "profile-grind.mcap.xz"
MADE = datetime.datetime(2026, 12, 1, tzinfo=datetime.UTC)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Source:
    path = tmp_path_factory.mktemp("kept") / "profile-grind.mcap"
    path.write_bytes(lzma.decompress(KEPT.read_bytes()))
    return read_source(path)


@pytest.fixture(scope="module")
def html(source: Source) -> str:
    return page.render([source], made_at=MADE)


def test_only_the_summary_the_advice_and_the_trace_are_open(html: str) -> None:
    open_part = re.sub(r'<details class="fold">.*?</details></section>', "", html, flags=re.DOTALL)
    assert re.findall(r"<h3[^>]*>(.*?)</h3>", open_part) == ["What to do next", "The set"]
    assert open_part.count("<svg") == 2, "the trace, for desk and phone"
    assert "<table" not in open_part
    assert "Cautions" not in open_part
    folded = re.findall(r'<details class="fold"><summary><h[23][^>]*>(.*?)</h[23]></summary>', html)
    assert folded[0] == "Velocity of each repetition"
    assert folded[-1] == "Cautions"
    assert len(folded) == 8


def test_a_wide_screen_and_paper_show_what_is_folded() -> None:
    style = (Path(page.__file__).parent / "templates" / "report.css").read_text()
    assert re.search(r"min-width: 40\.01rem\) \{\s*\.fold::details-content \{ content-visibility: visible", style)
    assert re.search(r"@media print \{.*details::details-content \{ content-visibility: visible", style, re.DOTALL)


def test_a_table_that_a_phone_cuts_says_so(html: str) -> None:
    hint = "Swipe the table sideways"
    for match in re.finditer(r"<table>(.*?)</thead>", html, flags=re.DOTALL):
        columns = match[1].count("<th ")
        before = html[max(match.start() - 200, 0) : match.start()]
        assert (hint in before) == (columns > 4)
    assert hint in html


def test_no_backtick_is_shown_and_a_command_is_set_as_one(html: str, source: Source) -> None:
    assert "`" not in re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    assert "<code>ebbset replay</code>" in html
    noted = replace(source, missing=("run `ebbset <b>` again", "an odd ` stays"))
    told = page.render([noted], made_at=MADE)
    assert "run <code>ebbset &lt;b&gt;</code> again" in told
    assert "an odd ` stays" in told


@pytest.mark.parametrize("width", [figures.WIDE, figures.NARROW])
def test_the_label_of_the_velocity_at_1rm_is_below_every_dot(source: Source, width: float) -> None:
    drawing = figures.velocities(source.sets[0], width, "key").svg()
    (label,) = re.findall(r'y="([\d.]+)"[^>]*>dotted: velocity at 1RM', drawing)
    marks = re.findall(r'point-velocity[^>]* cy="([\d.]+)"', drawing)
    stems = re.findall(r'class="stem"[^>]* y2="([\d.]+)"', drawing)
    assert marks
    assert float(label) > max(map(float, [*marks, *stems]))
