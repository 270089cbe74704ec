"""The ``--plot`` options, shared by the commands that draw a picture."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit


def _svg_only(_context: click.Context, _parameter: click.Parameter, path: Path | None) -> Path | None:
    if path is not None and path.suffix.lower() != ".svg":
        raise click.BadParameter(f"{path} is not an SVG file; allowed: a name that ends in .svg")
    return path


svg_option = click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    callback=_svg_only,
    help="Picture to draw: an SVG file, for any browser.",
)


def _drawable(_context: click.Context, _parameter: click.Parameter, path: Path | None) -> Path | None:
    """Refuse up front, rather than after minutes of simulation, when the picture cannot be drawn.

    Raises:
        ModuleNotFoundError: matplotlib is not installed.
    """
    if path is not None and importlib.util.find_spec("matplotlib") is None:
        raise ModuleNotFoundError("matplotlib is not installed", name="matplotlib")
    return path


page_option = click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    callback=_drawable,
    help="Draw the curves on one page; the file ending gives the format (png, pdf, svg).",
)


def draw_page(draw: Callable[[Any, Path], None], report: Any, path: Path) -> None:
    """Draw a page of curves.

    Args:
        draw: the function that draws it.
        report: what is drawn.
        path: file to write.

    Raises:
        CommandError: the file cannot be written, or its ending names no format.
    """
    try:
        draw(report, path)
    except (OSError, ValueError) as error:
        raise CommandError(f"{path}: {getattr(error, 'strerror', None) or error}", Exit.BAD_INPUT) from None
