"""Options that mean the same in several commands."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any, Final, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

seed_option: Final = click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Same seed, same results."
)


def workers_option(*, most: int) -> Callable[[F], F]:
    """Make the option ``--workers``, which defaults to one process per core.

    Args:
        most: greatest number of processes allowed.
    """
    return click.option(
        "--workers",
        type=click.IntRange(1, most),
        default=lambda: os.cpu_count() or 1,
        show_default="one per core",
        help="Number of processes; the results are the same for any number.",
    )


class FamilyName(click.ParamType[str]):
    """The name of a family of lifters; refuses what cannot be used, before any work is done."""

    name = "family"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name if the family loads.

        Args:
            value: what was given.
            param: the option.
            ctx: the command.
        """
        from ebbset.simulators.population.families import FamilyError, family

        if str(value).isdigit():
            self.fail(f"{value!r} is a number; the number of people is --persons", param, ctx)
        # A module beside the prescription is found, as with `python -m`.
        if "" not in sys.path:
            sys.path.insert(0, "")
        try:
            family(str(value))
        except FamilyError as error:
            self.fail(str(error), param, ctx)
        return str(value)


def lifters_option(*, multiple: bool = False, help_text: str) -> Callable[[F], F]:
    """Make the option ``--lifters``, which names a family of simulated lifters.

    Args:
        multiple: whether it can be given more than once.
        help_text: what the command does with it.
    """
    return click.option(
        "--lifters", type=FamilyName(), multiple=multiple, metavar="NAME|MODULE:FACTORY", help=help_text
    )
