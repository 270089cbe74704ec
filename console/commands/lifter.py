"""``ebbset lifter``: show, hand over or delete what is stored about one lifter."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.models.contract import formatting


@click.group(name="lifter")
def command() -> None:
    """Show, hand over or delete what is stored about one lifter.

    A lifter is stored by pseudonym only: in profiles, in recordings armed with a profile or in a study session, and in
    tables and pages made from them. Name every folder that holds such files, backups included.

    \b
    Examples:
      ebbset lifter show a7 recordings profiles
      ebbset lifter export a7 recordings profiles --to a7.zip
      ebbset lifter delete a7 recordings profiles
    """


def _places(function: Any) -> Any:
    function = click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))(
        function
    )
    return click.argument("lifter")(function)


def _find(lifter: str, folders: tuple[Path, ...]) -> Any:
    from ebbset.coaching import privacy

    try:
        return privacy.find(lifter, folders)
    except OSError as error:
        raise CommandError(f"{error.filename}: {error.strerror}; nothing was changed", Exit.BAD_INPUT) from None


def _list(found: Any) -> None:
    from ebbset.coaching.privacy import MEANINGS

    for one in found:
        rows = f", {formatting.plural(one.rows, 'row')}" if one.rows else ""
        click.echo(f"  {one.path}{rows}: {MEANINGS[one.kind]}")


@command.command()
@_places
@click.option("--json", "as_json", is_flag=True, help="One JSON list instead of text.")
def show(lifter: str, folders: tuple[Path, ...], as_json: bool) -> int:
    """List every file that mentions the lifter. Exit code 0, even when there is none."""
    found = _find(lifter, folders)
    if as_json:
        click.echo(json.dumps([{"file": str(f.path), "kind": f.kind.value, "rows": f.rows} for f in found], indent=2))
    else:
        click.echo(f"{lifter}: {formatting.plural(len(found), 'file')}")
        _list(found)
    return int(Exit.OK)


@command.command()
@_places
@click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path), help="Zip file to write; it must not exist yet."
)
def export(lifter: str, folders: tuple[Path, ...], target: Path) -> int:
    """Write everything about the lifter into one zip file, with an index. The files themselves stay unchanged."""
    from ebbset.coaching import privacy

    found = _find(lifter, folders)
    try:
        count = privacy.export(lifter, found, target)
    except FileExistsError:
        raise CommandError(f"{target}: exists; allowed: the name of a new file", Exit.BAD_INPUT) from None
    click.echo(f"{target}: {formatting.plural(count, 'file')} about {lifter}")
    return int(Exit.OK)


@command.command()
@_places
@click.option("--yes", is_flag=True, help="Do not ask.")
def delete(lifter: str, folders: tuple[Path, ...], yes: bool) -> int:
    """Show everything about the lifter, ask, delete it, then check that nothing is left.

    Exit code 1 when something is left; it is listed.
    """
    from ebbset.coaching import privacy

    found = _find(lifter, folders)
    click.echo(f"{lifter}: {formatting.plural(len(found), 'file')}")
    _list(found)
    if found and not yes:
        click.confirm("Delete? This cannot be undone, and backups elsewhere are not touched.", abort=True)
    try:
        privacy.delete(lifter, found)
    except OSError as error:
        raise CommandError(f"{error.filename}: {error.strerror}; the rest was not deleted", Exit.BAD_INPUT) from None
    left = _find(lifter, folders)
    if left:
        click.echo("left:")
        _list(left)
        return int(Exit.NO)
    click.echo(f"nothing about {lifter} is left in these folders")
    return int(Exit.OK)
