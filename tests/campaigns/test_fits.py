"""One command runs every fit of the controller's figures, in an order that does not change, and stops at a failure."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from campaigns.fits import __main__ as fits


def modules(commands: Sequence[Sequence[str]]) -> list[str]:
    return [command[2].removeprefix("campaigns.fits.") for command in commands]


def test_every_fit_is_run_once_with_what_was_asked() -> None:
    commands: list[Sequence[str]] = []

    def run(command: Sequence[str]) -> int:
        commands.append(command)
        return 0

    fits.main(["--workers", "3"], run)
    there = {path.stem for path in (fits.ROOT / "campaigns" / "fits").glob("fit_*.py")}
    assert set(modules(commands)) == there
    assert len(commands) == len(there)
    assert all(list(command[-2:]) == ["--workers", "3"] for command in commands)
    order = modules(commands)
    assert order.index("fit_capacity") < order.index("fit_judgement"), "which works with the priors of the first"


def test_nothing_is_fitted_on_figures_that_did_not_come_out(capsys: pytest.CaptureFixture[str]) -> None:
    commands: list[Sequence[str]] = []

    def run(command: Sequence[str]) -> int:
        commands.append(command)
        return 3 if "fit_stall_classifier" in command[2] else 0

    with pytest.raises(SystemExit, match="fit_stall_classifier ended with exit code 3"):
        fits.main([], run)
    assert modules(commands) == ["fit_capacity", "fit_stall_classifier"]
    assert "fit_capacity" in capsys.readouterr().err


def test_the_files_that_are_written_exist() -> None:
    written = [argument for fit in fits.FITS for argument in fit[1:] if argument.endswith(".py")]
    assert written
    assert all((fits.ROOT / path).is_file() for path in written)
