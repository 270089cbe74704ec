"""``ebbset history``: a lifter's history as table, page and picture, and keeping the store that it is read from."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.session_home import home_option
from ebbset.console.suggestions import SuggestingGroup
from ebbset.models.contract import formatting

if TYPE_CHECKING:
    from ebbset.coaching.history.rebuild import Filled
    from ebbset.coaching.history.rows.history_rows import LifterRow
    from ebbset.coaching.history.store import HistoryStore

F = TypeVar("F", bound=Callable[..., Any])
STORE_NAME: Final = "history.sqlite"
_PICTURE_WIDE: Final = 960.0


class HistoryGroup(SuggestingGroup):
    """A group in which ``history LIFTER`` is short for ``history show LIFTER``."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command of the first argument; what is no command is a lifter.

        Args:
            ctx: click's context.
            args: what was typed.
        """
        if args and not args[0].startswith("-") and args[0] not in self.list_commands(ctx):
            args = ["show", *args]
        return super().resolve_command(ctx, args)


@click.group(name="history", cls=HistoryGroup)
def command() -> None:
    """What a lifter did over weeks, and keeping the store that it is read from.

    `ebbset history LIFTER` shows the 1RM of the day, hard repetitions by muscle and week, what changed beyond the error
    of measurement and what did not, stale profiles, and adherence to plans.

    The store is made from recordings, session journals and profiles, which remain the truth: when it is lost or broken,
    `ebbset history rebuild` makes it again. It is a file in the home folder, or a PostgreSQL database named by --store.

    \b
    Examples:
      ebbset history add
      ebbset history a7
      ebbset history a7 --page a7.html --picture a7.svg
      ebbset history rebuild
      ebbset history lifters --store postgresql://coach@db.gym/ebbset
    """


def store_options(function: F) -> F:
    """Add ``--home`` and ``--store``, and pass ``home`` and the store's URL as ``store``.

    Args:
        function: of a command.
    """
    function = click.option(
        "--store",
        envvar="EBBSET_STORE",
        metavar="URL",
        help=f"sqlite:///FILE or postgresql://…; by default {STORE_NAME} in the home folder.",
    )(function)
    return home_option(function)


def store_url(home: Path, store: str | None) -> str:
    """The URL of the store that is meant.

    Args:
        home: home folder.
        store: URL that was given; None for the file in the home folder.
    """
    from ebbset.coaching.history.databases import sqlite_url

    return sqlite_url(home / STORE_NAME) if store is None else store


@command.command()
@click.argument("places", nargs=-1, type=click.Path(path_type=Path, exists=True), metavar="[FILE|FOLDER]…")
@store_options
def add(places: tuple[Path, ...], home: Path, store: str | None) -> int:
    """Add recordings, sessions and profiles to the store: those in the home folder, or in these files and folders.

    What the store has already is left as it is, so this can be run as often as you like, by several programs at once.

    \b
    Exit code 1 when a file could not be used; it is named, and everything else was added.
    """
    from ebbset.coaching.history.rebuild import fill, history_files

    files = history_files(places or (_existing(home),))
    with _opened(store_url(home, store)) as opened:
        return _told(fill(opened, files))


@command.command()
@click.argument("places", nargs=-1, type=click.Path(path_type=Path, exists=True), metavar="[FOLDER]…")
@store_options
def rebuild(places: tuple[Path, ...], home: Path, store: str | None) -> int:
    """Make the store again from the home folder, or from these folders, and from nothing else.

    Rows that no file stands for are taken out. A store that is broken is given another name first, and kept.

    \b
    Exit code 1 when a file could not be used; it is named, and everything else is in the store.
    """
    from ebbset.coaching.history.rebuild import history_files
    from ebbset.coaching.history.rebuild import rebuild as rebuild_store

    files = history_files(places or (_existing(home),))
    return _told(rebuild_store(store_url(home, store), files))


@command.command()
@store_options
@click.option("--json", "as_json", is_flag=True, help="As JSON instead of a table.")
def lifters(home: Path, store: str | None, as_json: bool) -> int:
    """List the lifters in the store."""
    with _opened(store_url(home, store)) as opened:
        found = opened.lifters()
    if as_json:
        told = [
            {
                "lifter": one.lifter,
                "sets": one.sets,
                "sessions": one.sessions,
                "newest": None if one.newest is None else one.newest.isoformat(),
            }
            for one in found
        ]
        click.echo(formatting.visible(json.dumps(told, indent=2)))
        return int(Exit.OK)
    for one in found:
        click.echo(formatting.visible(_lifter_line(one)))
    return int(Exit.OK)


@command.command()
@click.argument("lifter")
@store_options
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), help="HTML page to write as well.")
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), help="SVG picture to write as well.")
@click.option("--json", "as_json", is_flag=True, help="As JSON instead of tables.")
@click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Date by which the age of profiles is judged; by default, today.",
)
def show(
    lifter: str,
    home: Path,
    store: str | None,
    page: Path | None,
    picture: Path | None,
    as_json: bool,
    today: datetime.datetime | None,
) -> int:
    """Show the history of one lifter; `ebbset history LIFTER` is short for it.

    Sets of blinded study sessions are left out, and their number is told.
    """
    from ebbset.coaching.history.reading import history_of

    now = datetime.datetime.now()
    with _opened(store_url(home, store)) as opened:
        _known(opened, lifter)
        history, rows = history_of(opened, lifter, (today or now).date())
    if as_json:
        click.echo(formatting.visible(json.dumps(_plain(history), indent=2, ensure_ascii=False)))
    else:
        from ebbset.console.history_commands.terminal_history import show_history

        show_history(history, rows)
    if page is not None:
        from ebbset.console.history_commands.history_page import render_history

        _write(page, render_history(history, rows, made_at=now))
        click.echo(f"The page is in {page}", err=as_json)
    if picture is not None:
        from ebbset.console.history_commands.history_figures import history_picture
        from ebbset.console.report.plan_figures import write_picture

        if not history.strength and not history.weeks:
            raise CommandError(f"{lifter}: no set with a date and a figure, so there is nothing to draw", Exit.NO)
        write_picture(history_picture(history, _PICTURE_WIDE), picture)
        click.echo(f"The picture is in {picture}", err=as_json)
    return int(Exit.OK)


def _opened(url: str) -> HistoryStore:
    from ebbset.coaching.history.store import HistoryStore

    return HistoryStore.open(url)


def _existing(home: Path) -> Path:
    if not home.is_dir():
        raise CommandError(
            f"{home}: no such folder; allowed: a home folder (--home), or name the folders with recordings",
            Exit.BAD_INPUT,
        )
    return home


def _known(store: HistoryStore, lifter: str) -> None:
    names = [one.lifter for one in store.lifters()]
    if lifter in names:
        return
    if not names:
        raise CommandError(
            "the store is empty; `ebbset history add` fills it from recordings and sessions", Exit.BAD_INPUT
        )
    from difflib import get_close_matches

    near = get_close_matches(lifter, [*names, *command.commands], n=3)
    meant = f"; did you mean {' or '.join(near)}" if near else ""
    raise CommandError(
        f"lifter is {lifter!r}; allowed: one of the {len(names)} in the store (`ebbset history lifters`){meant}",
        Exit.BAD_INPUT,
    )


def _told(filled: Filled) -> int:
    counts = (
        formatting.plural(filled.recordings, "recording") + f" with {formatting.plural(filled.sets, 'set')}",
        formatting.plural(filled.sessions, "session"),
        formatting.plural(filled.profiles, "profile file"),
    )
    click.echo(", ".join(counts))
    for sentence in filled.remarks:
        click.echo(formatting.visible(sentence), err=True)
    return int(Exit.NO if filled.left_out else Exit.OK)


def _lifter_line(one: LifterRow) -> str:
    newest = formatting.NONE if one.newest is None else f"{one.newest:%Y-%m-%d}"
    sets, sessions = formatting.plural(one.sets, "set"), formatting.plural(one.sessions, "session")
    return f"{one.lifter}: {sets}, {sessions}, newest set {newest}"


def _plain(history: Any) -> dict[str, Any]:
    from dataclasses import asdict

    told: dict[str, Any] = json.loads(json.dumps(asdict(history), default=str))
    for change, plain in zip(history.changes, told["changes"], strict=True):
        plain |= {"difference": change.difference, "beyond_error": change.beyond_error, "verdict": change.verdict}
    return told


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror}", Exit.BAD_INPUT) from None
