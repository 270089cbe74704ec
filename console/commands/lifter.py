"""``ebbset lifter``: show, hand over or delete what is stored about one lifter."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.suggestions import SuggestingGroup
from ebbset.models.contract import formatting


@click.group(name="lifter", cls=SuggestingGroup)
def command() -> None:
    """Show, hand over or delete what is stored about one lifter.

    A lifter is stored by pseudonym only: in profiles, in sessions, in recordings armed with a profile or in a study
    session, and in tables, pages and the history's store made from them. Name every folder that holds such files,
    backups included. Only files that ebbset wrote are ever changed or deleted. Files that merely mention the lifter,
    and files that cannot be searched (compressed ones, pictures), are listed, so that you can look at them yourself.

    \b
    Examples:
      ebbset lifter show a7 recordings profiles
      ebbset lifter export a7 recordings profiles --to a7.zip
      ebbset lifter delete a7 ebbset-home backups
      ebbset lifter delete a7 ebbset-home --store postgresql://coach@db.gym/ebbset
    """


def _places(function: Any) -> Any:
    function = click.option(
        "--store",
        "stores",
        multiple=True,
        metavar="URL",
        help="A history's store that is no file in the folders: postgresql://…; may be given more than once.",
    )(function)
    function = click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))(
        function
    )
    return click.argument("lifter", callback=_pseudonym)(function)


def _pseudonym(_ctx: click.Context, _param: click.Parameter, value: str) -> str:
    from pydantic import TypeAdapter, ValidationError

    from ebbset.models.contract.field_types import Name
    from ebbset.models.contract.problems import problems_of

    try:
        return str(TypeAdapter(Name).validate_python(value))
    except ValidationError as error:
        problem = problems_of(error)[0]
        raise click.BadParameter(f"{problem.value}; allowed: {problem.allowed}") from None


def _find(lifter: str, folders: tuple[Path, ...], stores: tuple[str, ...], nonces: frozenset[str] = frozenset()) -> Any:
    from ebbset.coaching import privacy

    try:
        return privacy.find(lifter, folders, known_nonces=nonces, stores=stores)
    except OSError as error:
        raise CommandError(f"{error.filename}: {error.strerror}; nothing was changed", Exit.BAD_INPUT) from None


def _list(search: Any) -> None:
    from ebbset.coaching.privacy import MEANINGS, Kind

    for one in search.found:
        rows = f", {formatting.plural(one.rows, 'row')}" if one.rows else ""
        _say(f"  {one.path}{rows}: {MEANINGS[one.kind]}")
    for store in search.stores:
        _say(f"  {store.shown}, {formatting.plural(store.rows, 'row')}: {MEANINGS[Kind.STORE]}")
    if search.unsearched:
        _say(f"not searched, so nothing is known about {formatting.plural(len(search.unsearched), 'file')}:")
    for one in search.unsearched:
        _say(f"  {one.path}: {one.why}")


def _say(text: str) -> None:
    click.echo(formatting.visible(text))


@command.command()
@_places
@click.option("--json", "as_json", is_flag=True, help="As JSON instead of text.")
def show(lifter: str, folders: tuple[Path, ...], stores: tuple[str, ...], as_json: bool) -> int:
    """List every file that concerns the lifter, and every file that cannot be searched. Exit code 0 in any case."""
    search = _find(lifter, folders, stores)
    if as_json:
        told = {
            "lifter": lifter,
            "files": [{"file": str(f.path), "kind": f.kind.value, "rows": f.rows} for f in search.found],
            "stores": [{"store": s.shown, "rows": s.rows} for s in search.stores],
            "not_searched": [{"file": str(f.path), "why": f.why} for f in search.unsearched],
        }
        _say(json.dumps(told, indent=2))
    else:
        _say(f"{lifter}: {formatting.plural(len(search.found), 'file')}")
        _list(search)
    return int(Exit.OK)


@command.command()
@_places
@click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path), help="Zip file to write; it must not exist yet."
)
def export(lifter: str, folders: tuple[Path, ...], stores: tuple[str, ...], target: Path) -> int:
    """Write everything about the lifter into one zip file, with an index. The files themselves stay unchanged.

    It holds the same files and rows that `ebbset lifter delete` would take.
    """
    from ebbset.coaching import privacy

    search = _find(lifter, folders, stores)
    try:
        count = privacy.export(search, target)
    except FileExistsError:
        raise CommandError(f"{target}: exists; allowed: the name of a new file", Exit.BAD_INPUT) from None
    except privacy.UnreadableTableError as error:
        raise CommandError(f"a table changed while it was read: {error}; run it again", Exit.BAD_INPUT) from None
    _say(f"{target}: {formatting.plural(count, 'file')} about {lifter}")
    for one in search.unsearched:
        _say(f"not searched: {one.path}: {one.why}")
    return int(Exit.OK)


@command.command()
@_places
@click.option("--yes", is_flag=True, help="Do not ask.")
def delete(lifter: str, folders: tuple[Path, ...], stores: tuple[str, ...], yes: bool) -> int:
    """Show everything about the lifter, ask, delete it, then search again and say what is left.

    When it is interrupted, run it again: it goes on where it was.

    \b
    Exit code 0 when every file was searched and nothing is left, 1 when something is left or could not be searched; it
    is listed.
    """
    from ebbset.coaching import privacy

    search = _find(lifter, folders, stores)
    _say(f"{lifter}: {formatting.plural(len(search.found), 'file')}")
    _list(search)
    if (search.found or search.stores) and not yes:
        click.confirm("Delete? This cannot be undone, and backups elsewhere are not touched.", abort=True)
    try:
        privacy.delete(search)
    except OSError as error:
        raise CommandError(
            f"{error.filename}: {error.strerror}; not everything was deleted; run it again to go on", Exit.BAD_INPUT
        ) from None
    except privacy.UnreadableTableError as error:
        raise CommandError(f"a table changed while it was read: {error}; nothing was changed", Exit.BAD_INPUT) from None
    left = _find(lifter, folders, stores, search.nonces)
    if left.found or left.stores:
        _say("left:")
        _list(left)
        return int(Exit.NO)
    if left.unsearched:
        _list(left)
        _say(f"nothing about {lifter} is left in the other files of these folders")
        return int(Exit.NO)
    _say(f"nothing about {lifter} is left in these folders; every file was searched")
    return int(Exit.OK)
