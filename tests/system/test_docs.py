"""Pages that are made from the code are not stale, and pages that people follow name only what exists."""

from __future__ import annotations

import pathlib
import re

from ebbset._reference import api_page
from ebbset.controller.regulation.transitions import as_markdown
from ebbset.models.contract.prescription_reference import prescription_reference

ROOT = pathlib.Path(__file__).parents[2]
PAGES = ["README.md", "DEVELOPERS.md", "safety.md", "CHANGELOG.md"]


def test_the_page_of_the_state_machine_is_made_from_the_table() -> None:
    assert (ROOT / "docs" / "transitions.md").read_text() == as_markdown(), "stale; run: make docs"


def test_the_reference_of_prescription_fields_is_made_from_the_models() -> None:
    page = (ROOT / "docs" / "prescription.md").read_text()
    assert page == prescription_reference(), "stale; run: make docs"
    for field in ("start_n", "max_left_right_difference", "certainty", "capacity_loss", "rest_before_s", "lease_ms"):
        assert f"| `{field}` |" in page


def test_the_page_of_public_names_is_made_from_them() -> None:
    assert (ROOT / "docs" / "api.md").read_text() == api_page(), "stale; run: make docs"


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    first, second = (ROOT / "README.md").read_text().split("\n\n")[:2]
    assert first == "# ebbset"
    assert "\n#" not in second
    for word in ("prescribes", "runs", "bounds", "worth", "MQTT"):
        assert word in second, word


def test_every_file_that_a_page_links_to_exists() -> None:
    looked_at = 0
    for page in [*(ROOT / name for name in PAGES), *(ROOT / "docs").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text()):
            if "://" not in target:
                looked_at += 1
                assert (page.parent / target).exists(), f"{page.name} links to {target}"
    assert looked_at > 8


def test_every_make_target_that_a_page_names_exists() -> None:
    makefile = (ROOT / "Makefile").read_text()
    targets = set(re.findall(r"^([a-z-]+):", makefile, flags=re.MULTILINE))
    named: set[str] = set()
    for page in [*(ROOT / name for name in PAGES), *(ROOT / "docs").glob("*.md")]:
        named |= set(re.findall(r"`make ([a-z-]+)`", page.read_text()))
    assert named
    assert named <= targets, sorted(named - targets)
