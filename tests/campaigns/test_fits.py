"""One command runs every fit of the controller's figures, in an order that does not change, and stops at a failure."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from campaigns.fits import __main__ as fits
from campaigns.fits import fit_capacity, fit_profile_curves
from campaigns.fits.judgement_modules import left_out_module, shipped_module
from ebbset.coaching.curve_prior_figures import CURVE_DEPARTURES
from ebbset.controller.estimation.exercise_prior_figures import EXERCISE_PRIORS, SPREAD
from ebbset.controller.estimation.judgement_figures import CURRENT
from ebbset.simulators.evaluation.left_out_figures import LEFT_OUT


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


def test_every_file_of_figures_is_what_its_fit_writes() -> None:
    """So that nobody edits one, and no fit writes a module that could not be imported where ebbset is installed."""
    written = {
        "controller/estimation/exercise_prior_figures.py": fit_capacity.as_module(EXERCISE_PRIORS, SPREAD),
        "controller/estimation/judgement_figures.py": shipped_module(CURRENT),
        "simulators/evaluation/left_out_figures.py": left_out_module(LEFT_OUT),
        "coaching/curve_prior_figures.py": fit_profile_curves.as_module(CURVE_DEPARTURES),
    }
    for path, source in written.items():
        assert (fits.ROOT / path).read_text(encoding="utf-8") == source, path
