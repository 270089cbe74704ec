"""The report: its figures are those of the recording, the page stands by itself, and everybody can read it."""

from __future__ import annotations

import datetime
import io
import json
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from matplotlib.ticker import MaxNLocator
from rich.console import Console

from ebbset.coaching.next_set import HALF_TIMES_S, RECOVERED_LOSS, advice, loss_after, rest_range_s
from ebbset.console import app
from ebbset.console.report import figures, terminal_tables
from ebbset.console.report.page import render
from ebbset.console.report.svg import nice_ticks, thin_out
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.messages.events import Samples
from ebbset.controller.recording.recorded_set import RecordedSet, recorded_sets
from ebbset.controller.recording.sources import SIMULATED, Source, read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract import formatting
from ebbset.models.contract.constants import Z_INTERVAL
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile, Uncertain
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.contract.units import LoadUnit
from ebbset.models.physiology.fatigue import JOINTS
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.rig.rig_parameters import RigParameters
from tests.support.sessions import Tap
from tests.support.summary_rig import SummaryRig

ORDER = {
    "name": "Press <before> dinner & after",
    "exercise": "bench_press",
    "load": {"start_n": "84 kg", "floor_n": "30 kg"},
    "budget": {"capacity_loss": 0.45},
    "stop": {"max_drops": 3, "max_duration_s": 90.0},
}
PROFILE = tomllib.loads((files("ebbset.console.live") / "data" / "demo_profile.toml").read_text(encoding="utf-8"))
MADE_AT = datetime.datetime(2026, 11, 25, 20, 0)


def _write(path: Path, begun: str, *, seed: int = 1, cables: int = 1, **changes: object) -> Path:
    order = Prescription.model_validate({**ORDER, **changes})
    lifter = exercise("bench_press").mean_lifter()
    if cables == 2:
        order = Prescription.model_validate({**ORDER, "load": {"start_n": "40 kg", "floor_n": "15 kg"}, **changes})
    with path.open("wb") as stream:
        writer = RecordingWriter(
            stream, {"simulated": "true", "wall_clock_at_zero": begun, "rig": "north", "ebbset": "0", "python": "3"}
        )
        profile = LifterProfile.model_validate(PROFILE) if cables == 1 else None
        run_set(order, lifter, RigParameters(n_cables=cables), seed=seed, profile=profile, recorder=writer.add)
        writer.finish({})
    return path


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _write(tmp_path_factory.mktemp("report") / "evening.mcap", "2026-11-25T18:00:00+00:00")


@pytest.fixture(scope="module")
def source(recording: Path) -> Source:
    return read_source(recording)


@pytest.fixture(scope="module")
def item(source: Source) -> RecordedSet:
    return source.sets[0]


@pytest.fixture(scope="module")
def page(source: Source) -> str:
    return render([source], made_at=MADE_AT)


class _Page(HTMLParser):
    """What a page holds: every element with its attributes, every cell of every table."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.tables: list[list[list[str]]] = []
        self.text: list[str] = []
        self._cell = False
        self._skip = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._cell = True
        self._skip = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._cell = False
        self._skip = False

    def handle_data(self, data: str) -> None:
        if self._cell:
            self.tables[-1][-1][-1] += data
        if not self._skip:
            self.text.append(data)

    def all(self, tag: str) -> Iterator[dict[str, str | None]]:
        return (attributes for name, attributes in self.elements if name == tag)


# --- the record, arranged ---------------------------------------------------------------------------------------


def test_the_trace_is_the_recorded_samples_on_a_clock_that_begins_with_the_load(
    item: RecordedSet, recording: Path
) -> None:
    from ebbset.controller.recording.reader import read_recording

    handled = read_recording(recording).handled
    frames = [h.event for h in handled if isinstance(h.event, Samples)]
    armed = next(k for k, h in enumerate(handled) if any(type(o).__name__ == "SendArm" for o in h.outputs))
    after = [h.event for h in handled[armed:] if isinstance(h.event, Samples)]
    assert 0 < item.trace.t_s.size <= 5 * len(after) <= 5 * len(frames)
    assert np.all(np.diff(item.trace.t_s) > 0)
    velocities = {v for frame in after for v in frame.velocity_m_s[0] or ()}
    assert set(item.trace.velocity_m_s[:, 0].tolist()) <= velocities
    first = item.steps[0]
    assert first.t_s == 0.0
    assert list(first.target_n) == [pytest.approx(84 * 9.80665)]
    # A load that is held is one step, however often it is renewed.
    assert all(a.target_n != b.target_n for a, b in pairwise(item.steps))


def test_every_output_of_the_set_is_in_the_record(item: RecordedSet) -> None:
    assert item.result is not None
    completed = [r for r in item.repetitions if r.outcome.value == "completed"]
    assert len(completed) == item.result.repetitions > 5
    drops = [m for m in item.moments if m.decision.action == "drop"]
    assert len(drops) == item.result.drops >= 1
    assert all(m.is_stall for m in drops)
    assert [m.t_s for m in item.moments] == sorted(m.t_s for m in item.moments)
    assert item.lifter == "heron"
    assert item.begun_at is not None
    assert item.begun_at.astimezone(datetime.UTC).date() == datetime.date(2026, 11, 25)


def test_fresh_capacity_is_what_the_core_used(item: RecordedSet) -> None:
    """The budget decision names the fresh capacity; the report derives it from the records alone."""
    end = item.moments[-1].decision
    told = dict(end.inputs)
    if "fresh_capacity_n" not in told:
        pytest.fail(f"the set ended by {end.reason}; this test needs one that ends by its budget")
    assert item.fresh_n() == pytest.approx(told["fresh_capacity_n"], rel=0.03)


# --- the page ---------------------------------------------------------------------------------------------------


def test_the_page_needs_nothing_but_itself(page: str) -> None:
    found = _Page(page)
    assert not list(found.all("script"))
    assert not list(found.all("link"))
    assert not list(found.all("img"))
    assert not re.findall(r"url\(|@import|https?://", page)
    policy = [m["content"] for m in found.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_the_page_can_be_read_without_seeing_it(page: str) -> None:
    found = _Page(page)
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
    table = next(t for t in _Page(page).tables if t[0][0] == "rep" and "outcome" in t[0])
    head, rows = table[0], table[1:]
    assert len(rows) == len(item.repetitions)
    for cells, record in zip(rows, item.repetitions, strict=True):
        told = dict(zip(head, cells, strict=True))
        assert told["load, kg"] == f"{record.load_n / 9.80665:.1f}"
        assert told["mean, m/s"] == f"{record.mean_velocity_m_s:.2f}"
        assert told["time, s"] == f"{(record.t_end_us - record.t_start_us) / 1e6:.1f}"
        assert record.capacity_n is not None
        assert told["capacity, kg"].startswith(f"{record.capacity_n / 9.80665:.1f} ± ")


def test_every_decision_stands_on_the_page_with_its_reason_and_numbers(page: str, item: RecordedSet) -> None:
    text = "".join(_Page(page).text)
    for moment in item.moments:
        assert moment.decision.text in text
        assert moment.decision.reason.value in text
    stall = next(m.decision for m in item.moments if m.is_stall)
    assert f"{dict(stall.thresholds)['velocity_m_s']:.2f} m/s" in text


def test_simulated_sets_say_so_and_estimates_are_called_estimates(page: str) -> None:
    text = "".join(_Page(page).text)
    assert SIMULATED in text
    assert "relative, estimated" in text
    assert "No figure here is a measurement" in text
    assert "see a doctor" in text


def test_no_line_of_the_grid_goes_through_the_loads_over_a_figure(item: RecordedSet) -> None:
    """What is drawn later lies on top: the loads, which have a border of paper, come after every line of the grid."""
    drawing = figures.velocities(item, figures.WIDE, "k")
    first_label = next(
        k for k, mark in enumerate(drawing.marks) if formatting.load(item.steps[0].target_n[0], "kg") in mark
    )
    grid = [k for k, mark in enumerate(drawing.marks) if 'class="grid"' in mark]
    assert grid
    assert max(grid) < first_label


def test_the_loss_has_an_interval_of_its_own_on_the_page(item: RecordedSet, page: str) -> None:
    """Stems of the lower panel against the records: 80 % of a normal distribution, in the scale of the marks."""
    records = [r for r in item.repetitions if r.budget_spent is not None]
    assert all(r.budget_sd is not None and r.budget_sd > 0.0 for r in records)
    marks = "".join(figures.capacity(item, figures.WIDE, "k").marks)
    dots = [float(y) for y in re.findall(r'class="point-capacity dot" cx="[\d.]+" cy="([\d.]+)"', marks)]
    stems = [
        (float(a), float(b)) for a, b in re.findall(r'class="stem" x1="[\d.]+" y1="([\d.]+)".*?y2="([\d.]+)"', marks)
    ]
    assert len(dots) == len(stems) == len(records)
    spent, sds = [r.budget_spent or 0.0 for r in records], [r.budget_sd or 0.0 for r in records]
    fresh_n = item.fresh_n()
    assert fresh_n is not None
    pixels = (dots[0] - dots[-1]) / (spent[-1] - spent[0])
    z = NormalDist().inv_cdf(0.9)
    for lost, sd, (low, high) in zip(spent, sds, stems, strict=True):
        clipped = min(2 * z * sd, lost + z * sd)
        assert low - high == pytest.approx(clipped * pixels, abs=0.25)
    own = [z * sd for sd in sds]
    wider = [z * (r.capacity_sd_n or 0.0) / fresh_n for r in records]
    assert own != pytest.approx(wider, rel=0.05), "the doubt about the 1RM is in the capacity only"
    assert f"{100 * spent[-1]:.0f} % ± {100 * own[-1]:.0f} %" in page.replace("\u202f", " ").replace("\xa0", " ")


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
            ("capacity", f"{unit} ± SD", terminal_tables.capacity(records[0], unit)),
        ):
            # Columns are flush right: name, unit and figure end in the same place.
            end = names.index(name) + len(name)
            assert units[:end].endswith(f" {wanted}")
            assert first[:end].endswith(f" {value}")
    for head in ("load, kg", "mean, m/s", "peak, m/s", "ROM, m", "time, s", "capacity, kg"):
        assert f">{head}</th>" in page


def test_points_of_a_figure_lie_where_the_numbers_say(item: RecordedSet) -> None:
    drawing = figures.velocities(item, figures.WIDE, "k")
    marks = re.findall(r'class="point-velocity dot" cx="([\d.]+)" cy="([\d.]+)"', "".join(drawing.marks))
    records = [r for r in item.repetitions if r.outcome.value == "completed"]
    assert len(marks) == len(records)
    heights = [float(y) for _, y in marks]
    fastest = max(range(len(records)), key=lambda k: records[k].mean_velocity_m_s)
    assert heights[fastest] == min(heights)
    # Two points give the scale; all others must lie on it (coordinates are rounded to a tenth).
    slowest = min(range(len(records)), key=lambda k: records[k].mean_velocity_m_s)
    v_a, v_b = records[fastest].mean_velocity_m_s, records[slowest].mean_velocity_m_s
    slope = (heights[slowest] - heights[fastest]) / (v_b - v_a)
    for height, record in zip(heights, records, strict=True):
        assert height == pytest.approx(heights[fastest] + slope * (record.mean_velocity_m_s - v_a), abs=0.11)


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
    css = (files("ebbset.console.report") / "templates" / "report.css").read_text(encoding="utf-8")
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


# --- several recordings, damaged ones, two cables ---------------------------------------------------------------


def test_several_days_give_a_course_in_order(recording: Path, tmp_path: Path) -> None:
    earlier = _write(tmp_path / "z.mcap", "2026-11-18T18:00:00+00:00", seed=2)
    target = tmp_path / "both.html"
    assert app.run(["report", str(recording), str(earlier), "--page", str(target)]) == 0
    text = target.read_text(encoding="utf-8")
    assert "The course" in text
    dates = [row[0] for row in next(t for t in _Page(text).tables if t[0][0] == "date")[1:]]
    assert dates == sorted(dates)
    assert dates[0].startswith("2026-11-18")
    assert text.index('id="set1"') < text.index('id="set2"')
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))


def test_a_recording_cut_short_is_shown_as_far_as_it_goes(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = recording.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: len(data) * 6 // 10])
    assert app.run(["report", str(cut)]) == 0
    out = capsys.readouterr().out
    assert "the recording has no end" in out
    page = cut.with_suffix(".html").read_text(encoding="utf-8")
    assert "The recording ends before the set did." in page


def test_files_without_a_set_are_distinguished(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    nothing = tmp_path / "nothing.mcap"
    nothing.write_bytes(b"not a recording at all")
    assert app.run(["report", str(nothing)]) == 3
    idle = tmp_path / "idle.mcap"
    with idle.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north"})
        writer.finish({})
    assert app.run(["report", str(idle)]) == 1
    assert "no set was armed" in capsys.readouterr().err


def test_both_sides_of_two_cables_are_shown(tmp_path: Path) -> None:
    path = _write(tmp_path / "two.mcap", "2026-11-25T18:00:00+00:00", cables=2)
    source = read_source(path)
    assert source.sets[0].trace.cables == 2
    page = _Page(render([source], made_at=MADE_AT))
    table = next(t for t in page.tables if "outcome" in t[0])
    sides = [row[1] for row in table[1:]]
    assert set(sides) == {"left", "right"}
    assert sides.count("left") == sum(r.cable == 0 for r in source.sets[0].repetitions)


def _summaries_only() -> RecordedSet:
    """Three repetitions and one that failed, from a rig that sends no frames; acks are its sign of life."""
    rig = SummaryRig(Prescription.model_validate(ORDER), profile=LifterProfile.model_validate(PROFILE))
    tap = Tap(rig.policies)
    rig.controller = tap
    rig.online()
    rig.ask(RequestAction.ARM)
    rig.live(0.5, docked=True)
    rig.ask(RequestAction.START)
    rig.live(1.0, docked=True)
    for velocity_m_s in (0.9, 0.8, 0.7):
        rig.live(2.5, docked=False)
        rig.summary(RepetitionOutcome.COMPLETED, velocity_m_s)
    rig.live(2.5, docked=False)
    rig.summary(RepetitionOutcome.FAILED, 0.1)
    rig.live(1.0, docked=False)
    rig.ask(RequestAction.STOP)
    rig.live(3.0, docked=True)
    (item,) = recorded_sets(tap.pairs, source="summaries")
    return item


def test_a_rig_without_sample_frames_is_reported_too() -> None:
    item = _summaries_only()
    assert item.trace.t_s.size == 0
    assert [r.outcome.value for r in item.repetitions] == ["completed"] * 3 + ["failed"]
    # Repetitions ended 1.0 + 2.5 k seconds after the start, on the rig's clock and on ours.
    assert [end for _, end in item.repetition_spans_s] == pytest.approx([3.5, 6.0, 8.5, 11.0], abs=0.06)
    drop = next(m for m in item.moments if m.decision.action == "drop")
    # Between two acks, which come with every renewal, nobody knows the rig's clock better: a quarter of a lease.
    assert drop.t_s == pytest.approx(11.0, abs=0.6 / 4)
    page = render([Source(name="summaries", sets=[item])], made_at=MADE_AT)
    assert "reported_failure" in page
    assert "Simulated." not in page
    assert "nan" not in "".join(re.findall(r' [xyd]\d?="([^"]*)"', page))


def test_the_json_form_is_the_recording(recording: Path, item: RecordedSet, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["report", "--json", str(recording)]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert item.result is not None
    assert told["result"]["reason"] == item.result.reason.value
    assert [r["mean_velocity_m_s"] for r in told["repetitions"]] == [r.mean_velocity_m_s for r in item.repetitions]
    low, middle, high = told["worth_relative_estimated"]["total"]
    assert 0 < low < middle < high


def test_replay_tells_same_from_different(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ebbset.controller.recording.reader import read_recording

    assert app.run(["replay", str(recording)]) == 0
    assert "the same, every output of every input" in capsys.readouterr().out
    handled = read_recording(recording).handled
    changed = tmp_path / "changed.mcap"
    with changed.open("wb") as stream:
        writer = RecordingWriter(stream, {})
        for entry in handled:
            # One repetition is left out of the record; the controller will not leave it out.
            records = [o for o in entry.outputs if isinstance(o, RepetitionRecord) and o.index == 3]
            writer.add(entry.event, [o for o in entry.outputs if o not in records])
        writer.finish({})
    assert app.run(["replay", "--json", str(changed)]) == 1
    (told,) = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "different"
    assert told["difference"]["field"] == "number of outputs"


# --- what next --------------------------------------------------------------------------------------------------


def test_the_advised_rest_brings_the_loss_down_to_what_it_says() -> None:
    shoulder = JOINTS["shoulder"]
    assert HALF_TIMES_S[0] == pytest.approx(math.log(2) / (15 * shoulder.recovery_per_s), abs=0.6)
    low_s, high_s = rest_range_s(0.4)
    # Three halvings take 40 % to 5 %.
    assert low_s == pytest.approx(3 * HALF_TIMES_S[0])
    assert loss_after(0.4, low_s)[0] == pytest.approx(RECOVERED_LOSS)
    assert loss_after(0.4, high_s)[1] <= RECOVERED_LOSS
    assert rest_range_s(0.04) == (0.0, 0.0)


def test_the_next_start_load_is_below_this_one_and_within_its_range(item: RecordedSet) -> None:
    found = next(a for a in advice(item) if a.about == "Start load")
    low, high = (float(x) for x in re.findall(r"From ([\d.]+) kg to ([\d.]+) kg", found.because)[0])
    assert low <= float(found.answer.removesuffix(" kg")) <= high <= 84.0


def test_a_profile_far_from_what_the_set_shows_is_doubted(item: RecordedSet) -> None:
    assert item.profile is not None
    fresh_n = item.fresh_n()
    assert fresh_n is not None

    def doubted(mean_n: float, sd_n: float) -> bool:
        profile = (
            item.profile.model_copy(update={"one_rm_n": Uncertain(mean=mean_n, sd=sd_n)}) if item.profile else None
        )
        return any(a.about == "Profile" for a in advice(replace(item, profile=profile)))

    assert not doubted(fresh_n, 10.0)
    assert doubted(1.5 * fresh_n, 10.0)
    assert not doubted(1.5 * fresh_n, 0.5 * fresh_n)


def test_a_set_without_repetitions_is_not_advised_upon(item: RecordedSet) -> None:
    assert [a.answer for a in advice(replace(item, repetitions=(), result=None))] == ["cannot be said"]


# --- drawing ----------------------------------------------------------------------------------------------------


def test_the_band_is_the_quantile_of_the_normal_distribution() -> None:
    assert NormalDist().inv_cdf(0.9) == pytest.approx(Z_INTERVAL, abs=5e-5)


@pytest.mark.parametrize(("low", "high"), [(0, 1), (0, 0.43), (-0.6, 0.8), (0, 87.3), (0, 1234), (0.2, 0.21)])
def test_ticks_are_round_and_as_dense_as_those_of_matplotlib(low: float, high: float) -> None:
    ours = nice_ticks(low, high, 5)
    theirs = MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    theirs = [t for t in theirs if low - 1e-12 <= t <= high + 1e-12]
    assert ours == pytest.approx(theirs)


def test_thinning_keeps_the_extremes_of_every_bucket() -> None:
    rng = np.random.default_rng(5)
    t, y = np.arange(10_000) / 100.0, rng.normal(size=10_000)
    y[4321] = 9.0
    y[777] = -9.0
    thin_t, thin_y = thin_out(t, y, 500)
    assert thin_t.size <= 1000
    assert np.all(np.diff(thin_t) > 0)
    for piece in np.split(y, 500):
        assert piece.max() in thin_y
        assert piece.min() in thin_y
    assert set(zip(thin_t.tolist(), thin_y.tolist(), strict=True)) <= set(zip(t.tolist(), y.tolist(), strict=True))
