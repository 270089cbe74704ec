"""safety.md says what the code does: the same cautions, existing checks, the limits that are in force."""

from __future__ import annotations

import re
from pathlib import Path

from ebbset.conformance.checks import BY_NAME
from ebbset.conformance.judgement import FORCE_ZERO_N
from ebbset.conformance.trial import HOLD_S
from ebbset.controller.detection import mean_force_check as mean
from ebbset.controller.detection import sensor_check as gross
from ebbset.controller.messages.reasons import Reason
from ebbset.controller.regulation.armed_set import SETTLED_AFTER_US
from ebbset.controller.regulation.ending import ENDING_PATIENCE_US
from ebbset.controller.regulation.rig_facts import APPLIED_TOLERANCE_N, APPLIED_TOLERANCE_PART
from ebbset.models.contract.cautions import CAUTIONS, CONFIRMATION, as_text
from ebbset.models.contract.prescription import LoadSection, SafetySection

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "safety.md").read_text()
PLAIN = " ".join(PAGE.split())


def test_the_page_holds_the_short_cautions_word_for_word() -> None:
    for caution in CAUTIONS:
        assert caution in PLAIN


def test_the_cautions_fit_a_screen_and_name_what_they_must() -> None:
    text = as_text(width=80)
    assert max(map(len, text.splitlines())) <= 80
    assert len(text.splitlines()) <= 24
    for word in ("own stop", "doctor", "chest", "blood pressure", "breath", "dizziness", "Dark urine", "alone"):
        assert word in " ".join(text.split()), word
    assert "cautions" in CONFIRMATION


def test_the_page_has_the_parts_that_its_readers_need() -> None:
    for part in (
        "It is not a safety function",
        "foreseeable misuse",
        "what the hardware must do",
        "what remains",
        "Local codes",
        "medical advice",
        "Commissioning checklist",
        "ebbset check-rig",
        "When to stop",
    ):
        assert part.lower() in re.sub(r"\*", "", PLAIN).lower(), part
    rows = re.findall(r"^\| \d+ \|", PAGE, re.MULTILINE)
    assert len(rows) >= 12, "hazards"


def test_the_standards_are_named_by_number() -> None:
    """Numbers as published by ISO and IEC; the page marks what was written from memory."""
    for number in (
        "ISO 12100",
        "ISO 13849-1",
        "ISO 13850",
        "ISO 14118",
        "ISO 20957-1",
        "ISO 20957-2",
        "IEC 60204-1",
        "IEC 61800-5-2",
        "IEC 61508",
        "IEC 62061",
    ):
        assert number in PLAIN, number


def test_figures_and_names_on_the_page_are_those_of_the_code() -> None:
    safety = SafetySection()
    assert f"older than {safety.telemetry_timeout_ms} ms ends the set" in PLAIN
    assert f"{100 * APPLIED_TOLERANCE_PART:g} % or {APPLIED_TOLERANCE_N:g} N, whichever is larger" in PLAIN
    assert f"lives {safety.lease_ms} ms without renewal" in PLAIN
    gone_s = safety.lease_ms / 1e3 + 400.0 / LoadSection(start_n=400.0, floor_n=100.0).ramp_n_per_s
    assert f"400 N are gone after about {gone_s:.0f} s" in PLAIN
    assert f"its ramp and {SETTLED_AFTER_US / 1e6:g} s" in PLAIN
    assert f"time that the load needs to go off and {ENDING_PATIENCE_US / 1e6:g} s" in PLAIN
    for name in re.findall(r"check `(\w+)`", PAGE):
        assert name in BY_NAME, name
    for reason in re.findall(r"`((?:guard|rig|sensors)_\w+)`", PAGE):
        assert reason in set(Reason), reason


def test_every_test_that_the_page_names_exists() -> None:
    tests = {path: path.read_text() for path in (ROOT / "tests").rglob("test_*.py")}
    defined = {
        name for text in tests.values() for name in re.findall(r"^(?:async )?def (test_\w+)", text, re.MULTILINE)
    }
    named = re.findall(r"`(test_\w+)`", PAGE)
    files = re.findall(r"`([\w/]+/test_\w+\.py)`", PAGE)
    assert len(named) > 15
    assert len(files) >= 5
    assert [name for name in named if name not in defined] == []
    assert [name for name in files if ROOT / "tests" / name not in tests] == []


def test_the_bounds_on_force_and_load_are_those_of_the_code() -> None:
    part = f"{100 * mean.PART:g} % of the load"
    one_way_n = mean.allowed_one_way_n(0.0)
    rows = [[cell.strip() for cell in line.split("|")[2:4]] for line in PAGE.splitlines() if line.count("|") == 4]
    found = {allowed: how_long for allowed, how_long in rows if "of the load" in allowed}
    assert list(found) == [
        f"{mean.OFFSET_N:g} N + {part}",
        f"{one_way_n:g} N + {part}",
        f"{gross.FORCE_N:g} N + {100 * gross.FORCE_PART:g} % of the load",
    ], rows
    assert "three times in a row" in found[f"{mean.OFFSET_N:g} N + {part}"]
    assert mean.MEANS_IN_A_ROW == 3
    assert found[f"{gross.FORCE_N:g} N + {100 * gross.FORCE_PART:g} % of the load"] == f"{gross.FORCE_S:g} s on end"
    assert f"the mean of {mean.WINDOW_S:g} s" in PLAIN
    assert "two summaries in a row" in PLAIN
    assert mean.ASCENTS_IN_A_ROW == 2
    assert f"holds a load for {HOLD_S:g} s" in PLAIN


def test_a_rig_that_passes_its_checks_unloaded_is_not_ended_for_its_offset() -> None:
    assert mean.OFFSET_N == FORCE_ZERO_N


def test_what_is_measured_of_stalls_is_on_the_page() -> None:
    """The figures of the evaluation, of lifters of another structure, and of the plain dwell beside them."""
    for figure in ("64 %", "16 %", "0.05 s", "54 %", "0.30 s", "2.1 s", "92 %", "1.13 s"):
        assert figure in PLAIN, figure
    assert "seen late or not at all" in PLAIN
