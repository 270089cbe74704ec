"""The manual as a reader without a network meets it: diagrams are drawn and the search finds, in Chromium."""

from __future__ import annotations

import contextlib
import functools
import http.server
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.campaigns.test_manual import build
from tests.support.page_stack import PATIENCE_S, chromium

DIAGRAMS = {
    "transitions.html": ("offline", "lease expired"),
    "how-a-set-begins.html": ("ascent out of the dock", "how was it stopped?"),
    "project/DEVELOPERS.html": ("conformance: any rig held against the contract", "core, pure"),
}
"""Pages with a diagram, and words that it must show."""
OPEN_ROOTS = """const attach = Element.prototype.attachShadow;
Element.prototype.attachShadow = function () { return attach.call(this, {mode: "open"}); };"""
"""The theme draws into a closed shadow root, where a test can see no text."""


class Silent(http.server.SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        pass


@contextlib.contextmanager
def served(site: Path) -> Iterator[str]:
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Silent, directory=str(site))) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    into = tmp_path_factory.mktemp("manual") / "site"
    assert build(into).returncode == 0
    with served(into) as at:
        yield at


@pytest.fixture(autouse=True)
def _patience() -> None:
    expect.set_options(timeout=1e3 * PATIENCE_S)


@pytest.fixture
def page(address: str) -> Iterator[Page]:
    """A page that may fetch from the site alone, and whose test fails when it asks for anything else."""
    elsewhere: list[str] = []
    with chromium() as browser:
        tab = browser.new_page()
        tab.set_default_timeout(1e3 * PATIENCE_S)
        tab.add_init_script(OPEN_ROOTS)
        tab.on("request", lambda asked: None if asked.url.startswith(address) else elsewhere.append(asked.url))
        yield tab
    assert elsewhere == []


def test_every_diagram_is_drawn_and_can_be_read(page: Page, address: str) -> None:
    for name, words in DIAGRAMS.items():
        page.goto(f"{address}/{name}")
        drawn = page.locator("div.mermaid svg")
        expect(drawn).to_have_count(1)
        for text in words:
            expect(page.locator("div.mermaid").get_by_text(text).first).to_be_visible()
        shown = drawn.bounding_box()
        meant = drawn.get_attribute("viewBox")
        assert shown is not None
        assert meant is not None
        # Mermaid lays text out at 16 px; at less than half of that nobody reads it.
        assert shown["width"] / float(meant.split()[2]) > 0.5, name


def test_the_search_finds_pages_and_leads_there(page: Page, address: str) -> None:
    page.goto(f"{address}/index.html")
    page.locator("input[name=query]").click()
    page.locator("input[name=query]").press_sequentially("lease")
    found = page.locator(".md-search-result__item > a.md-search-result__link")
    expect(found.filter(has_text="The wire contract")).to_be_visible()
    found.filter(has_text="The wire contract").click()
    expect(page).to_have_url(f"{address}/reference/contract.html?h=lease")


def test_words_that_stand_nowhere_are_not_found(page: Page, address: str) -> None:
    page.goto(f"{address}/index.html")
    page.locator("input[name=query]").click()
    page.locator("input[name=query]").press_sequentially("zzyzx")
    expect(page.locator(".md-search-result__meta")).to_have_text("No matching documents")
