"""Documents and recordings by somebody who means harm: refused in a sentence, at once, and never printed raw."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from pydantic import TypeAdapter, ValidationError

from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.controller.link.settings import ServeSettings
from ebbset.models.contract.field_types import RigName
from ebbset.models.contract.formatting import visible
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.problems import BadDocumentError
from ebbset.models.contract.toml_text import read_toml
from ebbset.study.design import Condition

GOOD = example().to_toml()
HARMFUL = ("\x1b[2J", "\x07", "\x9b31m", "\x7f", "\u202e", "\u2066", "\u200f", "\u2028", "\ufeff")


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        ("a = " + 5_000 * "[" + 5_000 * "]", "at most 16 arrays or tables inside each other"),
        ("a = " + 400 * "{a = " + "1" + 400 * "}", "at most 16 arrays or tables inside each other"),
        ("a = " + 5_000 * "9", "numbers of at most 100 characters"),
        ("a = 0x" + 5_000 * "f", "numbers of at most 100 characters"),
        (".".join(20_000 * ["a"]) + " = 1", "keys of at most 16 parts"),
        (" . ".join(20_000 * ['"a"']) + " = 1", "keys of at most 16 parts"),
        ("[" + ".".join(20_000 * ["a"]) + "]", "keys of at most 16 parts"),
        ('a = "' + 1_000_000 * "x" + '"', "at most 1000000 characters"),
    ],
)
def test_a_document_that_would_cost_much_is_refused_before_it_is_parsed(text: str, allowed: str) -> None:
    began = time.process_time()
    with pytest.raises(BadDocumentError, match=allowed):
        Prescription.from_toml(text)
    assert time.process_time() - began < 2.0


@pytest.mark.parametrize(
    "text",
    [
        'a = "' + 100 * "[" + '"',
        "a = '''" + 100 * "[" + "\n'''",
        'a = """' + ".".join(100 * ["a"]) + '\\""" # """',
        "# " + 100 * "[" + "\na = 1",
        "a = [" + "1.5, " * 1_000 + "]",
        "a = " + 99 * "9",
        "a.b.c.d.e = 1",
        "a = \"it's\" # '" + 100 * "[",
    ],
)
def test_what_only_looks_deep_or_long_is_read(text: str) -> None:
    assert "a" in read_toml(text, what="document")


LITTLE_MEMORY = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (6 * 2**30, 6 * 2**30))
from ebbset.console.app import run
for command in ("check", "replay", "report", "serve --settings"):
    for path in sys.argv[1:]:
        print(command, path, run([*command.split(), path]))
"""


def test_pipes_and_devices_are_refused(tmp_path: Path) -> None:
    """In a process of its own with little memory, which would hang on the pipe or read the device until that ends."""
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    paths = [str(pipe), "/dev/zero", str(tmp_path)]
    done = subprocess.run([sys.executable, "-c", LITTLE_MEMORY, *paths], capture_output=True, text=True, timeout=240)
    assert [line.rpartition(" ")[2] for line in done.stdout.splitlines()] == 12 * [str(int(Exit.BAD_INPUT))]
    said = done.stderr.splitlines()
    assert len(said) == 12, said
    assert all(any(path in line for path in paths) for line in said)


def test_a_file_that_is_too_large_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "set.toml"
    path.write_text(GOOD + "# " + 1_000_000 * "x")
    assert run(["check", str(path)]) == Exit.BAD_INPUT
    assert "allowed: at most 1000000" in capsys.readouterr().err


@pytest.mark.parametrize("harm", HARMFUL)
def test_control_and_direction_characters_are_refused_in_names_and_notes(harm: str) -> None:
    for field in ("name", "notes"):
        with pytest.raises(BadDocumentError, match=rf"{field} is .*; allowed: .*characters that are shown as written"):
            Prescription.from_toml(example().model_copy(update={field: f"row{harm}x"}).to_toml())
    with pytest.raises(ValidationError):
        Condition(code="A", label=f"drops{harm}", prescription="a.toml")
    assert example(name="Ряд – 3 × 10 😀 👩‍🔬", notes="one\ntwo\tthree").name


@pytest.mark.parametrize("harm", HARMFUL)
def test_a_field_name_is_never_printed_raw(harm: str) -> None:
    text = GOOD + f"\n[{json.dumps('x' + harm)}]\na = 1\n"
    with pytest.raises(BadDocumentError) as caught:
        Prescription.from_toml(text)
    assert harm not in str(caught.value)


@pytest.mark.parametrize("harm", HARMFUL)
def test_visible_shows_what_cannot_be_seen(harm: str) -> None:
    assert not set(harm) & set(visible(f"a{harm}b")) - set("[2J31m")
    assert json.loads(visible(json.dumps(f"a{harm}b", ensure_ascii=False))) == f"a{harm}b"
    assert visible("Größe – 3 × 10\n\tübrig 😀") == "Größe – 3 × 10\n\tübrig 😀"


def test_a_load_of_many_digits_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    told = ["profile", "--lifter", "a7", "--exercise", "row", "--set", "30 kg 0.9", "--one-rm", 400 * "9" + " kg"]
    assert run(told) == Exit.USAGE
    assert "--one-rm is '999" in capsys.readouterr().err


@pytest.mark.parametrize("name", [".", "..", ".north", "-rf"])
def test_a_rig_name_begins_with_a_letter_or_digit(name: str) -> None:
    with pytest.raises(BadDocumentError, match="letter or digit first"):
        ServeSettings.of(rig=name)
    with pytest.raises(ValidationError):
        TypeAdapter(RigName).validate_python(name)
    assert run(["serve", f"--rig={name}"]) == Exit.USAGE
    assert TypeAdapter(RigName).validate_python("north.2-b") == "north.2-b"


@pytest.mark.parametrize("command", ["replay", "report", "profile --lifter a7", "export -o tables"])
def test_a_file_that_is_no_recording_is_named_once(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "notes.mcap"
    path.write_text("not a recording")
    words = [str(tmp_path / word) if word == "tables" else word for word in command.split()]
    assert run([*words, str(path)]) == Exit.BAD_INPUT
    told = capsys.readouterr().err
    assert told.replace("\n", " ").count("notes.mcap") == 1
    assert "allowed: a file that ebbset recorded" in " ".join(told.split())
