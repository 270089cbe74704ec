"""Options that mean the same in several commands."""

from __future__ import annotations

import os
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
