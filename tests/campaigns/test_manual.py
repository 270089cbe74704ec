"""The manual is built without a warning, every link in it leads somewhere, and its snippets are of this version."""

from __future__ import annotations

import importlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import click
import pytest

import ebbset
from ebbset._reference import home_of
from ebbset.console.app import COMMANDS, cli

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])


def build(into: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--quiet", "--site-dir", str(into)],
        cwd=ROOT, env=os.environ | {"NO_MKDOCS_2_WARNING": "1", "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    into = tmp_path_factory.mktemp("manual") / "site"
    done = build(into)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    return into


class Anchors(HTMLParser):
    """What a page links to, fetches, and can be linked to."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.ids: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if told.get("id"):
            self.ids.add(str(told["id"]))
        if tag == "a" and told.get("href"):
            self.links.append(str(told["href"]))
        if tag in ("script", "img", "iframe") and told.get("src"):
            self.fetched.append(str(told["src"]))
        if tag == "link" and told.get("rel") in ("stylesheet", "icon") and told.get("href"):
            self.fetched.append(str(told["href"]))


def dead(site: Path) -> Iterator[str]:
    pages = {path: Anchors(path.read_text()) for path in site.rglob("*.html")}
    for path, page in pages.items():
        for address in [*page.links, *page.fetched]:
            parts = urlsplit(address)
            if parts.scheme or parts.netloc or path.name == "404.html":
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            target = target / "index.html" if target.is_dir() else target
            if not target.exists():
                yield f"{path.relative_to(site)} -> {address}"
            elif parts.fragment and target in pages and unquote(parts.fragment) not in pages[target].ids:
                yield f"{path.relative_to(site)} -> {address} (no such section)"


def test_every_link_leads_somewhere(site: Path) -> None:
    assert len(list(site.rglob("*.html"))) > 20
    assert list(dead(site)) == []


def test_a_dead_link_would_be_found(site: Path, tmp_path: Path) -> None:
    copy = tmp_path / "site"
    shutil.copytree(site, copy)
    page = copy / "plans.html"
    page.write_text(page.read_text().replace("</article>", '<a href="gone.html">x</a><a href="#gone">y</a></article>'))
    assert list(dead(copy)) == ["plans.html -> gone.html", "plans.html -> #gone (no such section)"]


def test_nothing_is_fetched_from_elsewhere_and_the_search_has_its_index_beside_it(site: Path) -> None:
    fetched = {source for path in site.rglob("*.html") for source in Anchors(path.read_text()).fetched}
    assert fetched
    assert {source for source in fetched if urlsplit(source).netloc} == set()
    index = json.loads((site / "search" / "search_index.json").read_text())
    found = {entry["location"].partition("#")[0] for entry in index["docs"] if "lease" in entry["text"]}
    assert {"reference/contract.html", "prescription.html", "project/safety.html"} <= found


def test_pages_with_a_diagram_bring_the_script_that_draws_it(site: Path) -> None:
    """Before the theme's own, which would ask another host for it; `test_manual_in_a_browser` looks at the result."""
    drawn = 0
    for path in site.rglob("*.html"):
        text = path.read_text()
        own, theirs = text.find("/mermaid.min.js"), text.find("/bundle.")
        assert ('<pre class="mermaid">' in text) == (own >= 0), path.name
        assert own < theirs or path.name == "404.html", path.name
        drawn += own >= 0
    assert drawn == 3


def test_reference_pages_hold_every_command_topic_and_public_class(site: Path) -> None:
    commands = (site / "reference" / "commands.html").read_text()
    assert all(f"ebbset {name}</code>" in commands for name in COMMANDS)
    contract = (site / "reference" / "contract.html").read_text()
    assert all(topic in contract for topic in ("rig/frame", "ctl/command", "ops/request", "cites_t_us"))
    python = (site / "reference" / "python.html").read_text()
    assert [name for name in dir(ebbset) if f'id="{home_of(name)}"' not in python] == []


def snippets(language: str) -> list[tuple[str, str]]:
    found = [
        (page.name, text)
        for page in PAGES
        for text in re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(), flags=re.MULTILINE | re.DOTALL)
    ]
    assert found, language
    return found


def test_every_command_in_a_snippet_exists_with_its_options() -> None:
    tried = 0
    for page, text in snippets("sh"):
        for line in re.sub(r"\\\n", " ", text).splitlines():
            for part in re.split(r"&&|\|\||[|;&]", line.split("#")[0]):
                words = shlex.split(part, comments=True) if part.count('"') % 2 == part.count("'") % 2 == 0 else []
                if words[:1] == ["ebbset"] and words[1:2] and words[1] != "--help":
                    problem = refused(words[1:])
                    assert problem is None, f"{page}: {part.strip()}: {problem}"
                    tried += 1
    assert tried > 20


def refused(words: list[str]) -> str | None:
    """Why the command line would not take these words, apart from files that only exist where they are used."""
    command: click.Command = cli
    if words[0] not in COMMANDS:
        return f"no command {words[0]}"
    command = importlib.import_module(f"ebbset.console.{COMMANDS[words[0]][0]}").command
    words = words[1:]
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        try:
            _, inner, words = command.resolve_command(click.Context(command), list(words))
        except click.UsageError as error:
            return error.format_message()
        assert inner is not None
        command = inner
    try:
        command.make_parser(click.Context(command)).parse_args(list(words))
    except click.UsageError as error:
        return error.format_message()
    return None


def test_an_option_that_does_not_exist_would_be_found() -> None:
    assert refused(["report", "--colour", "x.mcap"]) is not None
    assert refused(["repotr", "x.mcap"]) == "no command repotr"
    assert refused(["study", "nothing"]) is not None


def test_python_and_toml_snippets_are_python_and_toml() -> None:
    for page, text in snippets("python"):
        compile(text, page, "exec")
    for _, text in snippets("toml"):
        assert tomllib.loads(text)
