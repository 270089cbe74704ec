"""Options that mean the same in several commands."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, TypeVar

import click

from ebbset.console.exits import CommandError, Exit

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


dask_option: Final = click.option(
    "--dask",
    "cluster",
    metavar="ADDRESS",
    help="Work on the Dask cluster of this scheduler, such as tcp://host:8786, instead of --workers; the results are "
    "the same.",
)


@contextmanager
def shared_out(workers: int, cluster: str | None) -> Iterator[Any]:
    """A mapper that works as `--workers` and `--dask` ask, see `parallel.mapping`.

    Args:
        workers: processes.
        cluster: address of a Dask scheduler; None: none.

    Raises:
        CommandError: the cluster cannot be used, or was lost.
    """
    from ebbset.simulators.closed_loop.cluster import ClusterError
    from ebbset.simulators.closed_loop.parallel import mapping

    try:
        with mapping(workers, cluster) as mapper:
            yield mapper
    except ClusterError as error:
        raise CommandError(str(error), Exit.UNREACHABLE) from None


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
