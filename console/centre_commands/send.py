"""``ebbset send``: copy finished recordings to a folder anywhere, checked there by hash."""

from __future__ import annotations

from pathlib import Path

import click

from ebbset.console.exits import Exit
from ebbset.models.contract import formatting


@click.command(name="send")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("url")
def command(folder: Path, url: str) -> int:
    """Copy the recordings in FOLDER to a folder at URL that are not there yet, and check each there by its hash.

    Run it as often as you like: it goes on where it ended, also where it was cut off. A recording that is still being
    written follows the next time. Beside each recording stands a file for `sha256sum --check`.

    \b
    Examples:
      ebbset send recordings /mnt/archive/hall
      ebbset send recordings sftp://archive.example/hall     # needs: pip install paramiko
      ebbset send recordings s3://archive/hall               # needs: pip install s3fs
    """
    from ebbset.coaching.collecting.sent_recordings import send_recordings

    result = send_recordings(folder, url)
    told = f"{len(result.sent)} sent ({result.bytes / 1e6:.1f} MB), {result.there} were there"
    if result.waiting:
        told += f", {len(result.waiting)} still being written"
    click.echo(formatting.visible(told))
    return int(Exit.OK)
