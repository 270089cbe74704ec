"""The command line: every error is one sentence and an exit code, and help costs nothing."""

from __future__ import annotations

import importlib
import io
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from ebbset.console import app
from ebbset.console.exits import MEANINGS, CommandError, Exit
from ebbset.models.contract.cautions import CAUTIONS, CONFIRMATION
from tests.support.commands import run_command


def python(code: str, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, env={**os.environ, **environ}
    )


def main(*arguments: str, **environ: str) -> subprocess.CompletedProcess[str]:
    code = f"import sys; sys.argv = ['ebbset', *{arguments!r}]\nfrom ebbset.console.entry import main\nsys.exit(main())"
    return python(code, **environ)


def test_the_help_page_imports_nothing_heavy() -> None:
    done = python(
        "import sys; sys.argv = ['ebbset', '--help']\n"
        "from ebbset.console.entry import main\n"
        "code = main()\n"
        "heavy = {'numpy', 'pydantic', 'rich', 'aiomqtt', 'numba', 'jinja2', 'matplotlib', 'amqtt', 'scipy'}\n"
        "sys.stderr.write(','.join(sorted(heavy & set(sys.modules))))\n"
        "sys.exit(code)"
    )
    assert (done.returncode, done.stderr) == (0, "")
    for name in app.COMMANDS:
        assert f"\n  {name} " in done.stdout


@pytest.mark.parametrize("name", list(app.COMMANDS))
def test_every_command_of_the_table_is_there_and_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = importlib.import_module(f"ebbset.console.{app.COMMANDS[name][0]}").command
    assert isinstance(command, click.Command)
    assert command.name == name
    code, out, _ = run_command(capsys, name, "--help")
    assert code == 0
    assert len(out.splitlines()) > 8


def _all_parameters(command: click.Command) -> list[click.Parameter]:
    inner = (
        [p for c in command.commands.values() for p in _all_parameters(c)] if isinstance(command, click.Group) else []
    )
    return [*command.params, *inner]


def test_no_credential_can_be_given_on_the_command_line() -> None:
    names = {
        option.lower()
        for module, _ in app.COMMANDS.values()
        for parameter in _all_parameters(importlib.import_module(f"ebbset.console.{module}").command)
        for option in (*parameter.opts, *parameter.secondary_opts)
    }
    assert "--credentials-file" in names
    assert not [name for name in names if any(word in name for word in ("password", "token", "secret", "username"))]


def test_the_base_install_says_what_to_install() -> None:
    done = python(
        "import sys\n"
        "class NoClick:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.partition('.')[0] == 'click':\n"
        "            raise ModuleNotFoundError(\"No module named 'click'\", name='click')\n"
        "sys.meta_path.insert(0, NoClick())\n"
        "from ebbset.console.entry import main\n"
        "sys.exit(main())"
    )
    assert done.returncode == Exit.MISSING_EXTRA
    assert "ebbset[console]" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("module", "extra"), [("pyarrow.parquet", "study"), ("numba", "sim"), ("rich", "console")])
def test_a_missing_part_is_named_with_the_extra_that_holds_it(module: str, extra: str) -> None:
    found = app.explain(ModuleNotFoundError("gone", name=module))
    assert found.exit_code == Exit.MISSING_EXTRA
    assert f"ebbset[{extra}]" in found.message


def test_shell_completion_knows_the_commands() -> None:
    done = main(_EBBSET_COMPLETE="bash_complete", COMP_WORDS="ebbset re", COMP_CWORD="1")
    found = {line.partition(",")[2] for line in done.stdout.splitlines()}
    assert found == {"request", "report", "replay"}


def test_every_exit_code_is_explained_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run_command(capsys, "--help")
    assert set(MEANINGS) == set(Exit)
    for code, meaning in MEANINGS.items():
        assert f"{int(code):>3}  {meaning}" in out


def test_what_nobody_foresaw_becomes_one_sentence_and_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], row: Path
) -> None:
    def broken(_path: Path) -> None:
        raise RuntimeError("a wheel fell off")

    monkeypatch.setattr("ebbset.console.commands.check.read_either", broken)
    code, out, err = run_command(capsys, "check", str(row))
    assert (code, out) == (Exit.DEFECT, "")
    told = Path(err.split()[-1])
    assert "a wheel fell off" in err
    assert "RuntimeError: a wheel fell off" in told.read_text(encoding="utf-8")
    told.unlink()


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["chek"], Exit.USAGE),
        (["check"], Exit.USAGE),
        (["check", "nowhere.toml"], Exit.BAD_INPUT),
        (["report", "nowhere.mcap"], Exit.BAD_INPUT),
        (["replay", "nowhere.mcap"], Exit.BAD_INPUT),
        (["serve", "--prescription", "nowhere.toml"], Exit.BAD_INPUT),
        (["serve", "--port", "70000"], Exit.USAGE),
        (["serve", "--fact", "nothing"], Exit.USAGE),
        *[
            ([*command, "--rig", "a/b"], Exit.USAGE)
            for command in (["serve"], ["rig"], ["request", "stop"], ["check-rig"])
        ],
        (["serve", "--rig", ""], Exit.USAGE),
        (["rig", "--defect", "no_such_defect"], Exit.USAGE),
        (["request", "stop", "--port", "1"], Exit.UNREACHABLE),
        (["request", "arm", "--port", "1"], Exit.USAGE),
        (["request", "arm", "--port", "1", "--cautions-shown"], Exit.UNREACHABLE),
    ],
)
def test_bad_command_lines_and_absent_things_end_in_one_message(
    arguments: list[str], code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    got, out, err = run_command(capsys, *arguments)
    assert got == code
    assert out == ""
    assert err.count("Error:") == 1


class _Terminal(io.StringIO):
    """Standard input as it is at a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("typed", "code"), [("n\n", Exit.NO), ("", Exit.INTERRUPTED), ("y\n", Exit.UNREACHABLE)])
def test_the_cautions_are_shown_and_confirmed_before_arming(
    typed: str, code: Exit, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", _Terminal(typed))
    got, out, err = run_command(capsys, "request", "arm", "--port", "1")
    assert got == code
    shown = " ".join(out.split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in shown
    assert CONFIRMATION in out
    assert ("no connection to the broker at 127.0.0.1:1" in err) == (code == Exit.UNREACHABLE)


def test_settings_that_cannot_be_used_are_reported_field_by_field(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "north.toml"
    settings.write_text('rig = "no/rth"\nspeed = 3\n[broker]\nport = 70000\n', encoding="utf-8")
    code, _, err = run_command(capsys, "serve", "--settings", str(settings))
    assert code == Exit.BAD_INPUT
    assert "3 problems" in err
    for line in ("rig is 'no/rth'; allowed: ", "speed is 3; allowed: ", "broker.port is 70000; allowed: "):
        assert f"\n  {line}" in err


def test_errors_keep_their_code_through_groups_of_exceptions() -> None:
    inner = CommandError("no broker", Exit.UNREACHABLE)
    assert app.explain(ExceptionGroup("several", [inner])) is inner
