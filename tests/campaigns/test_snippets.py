"""Commands and code on the pages of the manual do what the pages say; what takes minutes is left to `make snippets`."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from campaigns.manual.snippets import PAGES, ROOT, SnippetError, run_page, snippets
from campaigns.manual.terminals import at_port, in_terminals
from tests.support.warm_ebbset import warm_ebbset

WITH_BLOCKS = [page for page in PAGES if list(snippets(page, (ROOT / page).read_text()))]


@pytest.fixture(scope="module")
def warm() -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="ebbset-") as short, warm_ebbset(Path(short)) as folder:
        yield str(folder)


@pytest.mark.parametrize("page", WITH_BLOCKS)
def test_a_page_does_what_it_says(page: str, warm: str, tmp_path: Path) -> None:
    told = list(run_page(page, tmp_path, minutes=False, path=warm))
    assert len(told) == len(list(snippets(page, (ROOT / page).read_text())))


def test_most_blocks_are_run_and_every_other_says_why() -> None:
    blocks = [one for page in WITH_BLOCKS for one in snippets(page, (ROOT / page).read_text())]
    left = [one for one in blocks if one.mark.startswith("not run")]
    assert len(blocks) > 25
    assert len(left) < len(blocks) / 3
    for one in left:
        # Whoever runs it instead is named, and exists.
        named = [word.strip("`,;") for word in one.reason.split() if word.startswith("tests/")]
        assert named or "`make test`" in one.reason, one.where
        assert all((ROOT / name).exists() for name in named), one.where


def run(text: str, folder: Path) -> list[str]:
    return list(run_page("docs/method.md", folder, minutes=False, text=text))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("```sh\nebbset no-such-command\n```\n", "docs/method.md:1 ended with 2"),
        ("x\n\n    ebbset check no-such-file.toml\n", "docs/method.md:3 ended with"),
        ("```python\nassert 1 == 2\n```\n", "AssertionError"),
        ("```python\nx = 1\n```\ny\n```python\nassert x == 2\n```\n", "docs/method.md:5 ended with 1"),
        ("```text\nebbset check row.toml\n```\n", "commands in a block of text; allowed: sh"),
        ("```perl\n1\n```\n", "no way to run a block of perl"),
        ("<!-- snippet: not run: because -->\n```sh\nfalse\n```\n", "gives no reason"),
        ("<!-- snippet: later -->\n```sh\nfalse\n```\n", "is no mark"),
        ("    pip install 'ebbset[nothing]'\n", "names no extra"),
    ],
)
def test_a_block_that_does_not_do_it_is_found(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(SnippetError) as failed:
        run("\n" + text if text.startswith("    ") else text, tmp_path)
    assert said in str(failed.value)


def test_blocks_of_a_page_share_a_folder_and_names(tmp_path: Path) -> None:
    text = "<!-- snippet: file a.txt -->\n```toml\nx = 1\n```\n\n```sh\ngrep x a.txt > b.txt\n```\n"
    text += "```python\nread = open('b.txt').read()\n```\n\n```python\nassert read == 'x = 1\\n'\n```\n"
    assert [line.split(maxsplit=3)[3] for line in run(text, tmp_path)] == ["file a.txt", "ran", "ran", "ran"]


def test_lines_in_terminals_use_the_broker_of_the_test_and_are_interrupted(tmp_path: Path) -> None:
    assert at_port("ebbset rig --rig north", 9) == "ebbset rig --port 9 --rig north"
    assert (
        at_port("ebbset request arm --rig x && python -m x 1883", 9)
        == "ebbset request arm --port 9 --rig x && python -m x 9"
    )
    environment = {"PATH": "/usr/bin:/bin"}
    going = "echo up; trap 'echo told >> log; exit 0' INT; while true; do sleep 0.05; done"
    assert in_terminals(f"{going}\n{going}\nread x; [ $x = y ]", 9, tmp_path, environment) == ""
    assert (tmp_path / "log").read_text() == "told\ntold\n"
    assert "ended by itself" in in_terminals("echo up\ntrue", 9, tmp_path, environment)
    # The last line would ask for ever what the first, which broke, cannot answer.
    broke = in_terminals("echo up; sleep 0.3; echo no module $((40 + 2)); exit 5\nfalse", 9, tmp_path, environment)
    assert "ended by itself" in broke
    assert "no module 42" in broke
    assert "ended with 3 when interrupted" in in_terminals(
        f"{going.replace('exit 0', 'exit 3')}\necho so; exit 5 # ends with 5: so", 9, tmp_path, environment
    )
