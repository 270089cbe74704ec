"""``ebbset study list, seal and open``: the allocation list made ahead, and sessions that are seen one at a time."""

from __future__ import annotations

import csv
import io
import secrets
from collections.abc import Sequence
from pathlib import Path

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.study_commands.output import write_text
from ebbset.models.contract import formatting

_FILE = click.argument("study", type=click.Path(path_type=Path))


@click.command(name="list")
@_FILE
@click.option(
    "--spare", type=click.IntRange(0, 10_000), default=0, show_default=True, help="Places beyond those planned."
)
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="CSV file.")
def list_places(study: Path, spare: int, output: Path) -> int:
    """Write the allocation list, made ahead.

    Place, participant and conditions in order; only for people who are not blinded. The list goes on as long as you
    like and never changes where it was: who joins takes the next free place, and a spare place keeps its conditions
    until somebody does. Its file shows the conditions, so keep it as the study file.
    """
    from ebbset.study.study_file import allocation_list, read_study

    found = read_study(study)
    if found.file.version == 1 and spare:
        raise CommandError("spare is given; allowed: only for study files of version 2", Exit.USAGE)
    taken = 1 + max(person.place for person in found.people)
    places = max(taken, found.file.planned or 0) + spare
    names: dict[int, list[str]] = {}
    for person in found.people:
        names.setdefault(person.place, []).append(person.id + (" (withdrawn)" if person.withdrawn else ""))
    codes = [condition.code for condition in found.file.conditions]
    rows = [
        [place + 1, "; ".join(names.get(place, [])), *(codes[value] for value in order)]
        for place, order in enumerate(allocation_list(found.file, places))
    ]
    head = ["place", "participant", *(f"session_{k}" for k in range(1, len(rows[0]) - 1))]
    _write_rows(output, [head, *rows])
    spares = places - taken
    click.echo(
        f"{formatting.plural(places, 'place')}, {spares} of them free, written to {output}. It shows conditions."
    )
    return int(Exit.OK)


@click.command(name="seal")
@_FILE
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--codes", required=True, type=click.Path(path_type=Path, dir_okay=False), help="CSV file of the codes, kept apart."
)
def seal(study: Path, folder: Path, codes: Path) -> int:
    """Seal each session in an envelope of its own.

    So whoever runs sessions sees one at a time. Keep the study file and the codes; give the folder to whoever runs
    sessions, and one code on the day of its session. `ebbset study open` then writes that session's prescription.
    After an amendment, seal again with the same file of codes: only envelopes that are not there yet are made, and
    those of people who withdrew are left out.
    """
    from ebbset.study.envelopes import CODE_BYTES, code_text, envelope_name, sealed, size_of
    from ebbset.study.study_file import read_study

    found = read_study(study)
    if codes.resolve().is_relative_to(folder.resolve()):
        raise CommandError(f"codes is {str(codes)!r}; allowed: a file outside {folder}, kept apart from it", Exit.USAGE)
    rows = _known_codes(codes)
    size, made = size_of(found), 0
    for session in found.expected:
        path = folder / envelope_name(session)
        if path.exists():
            continue
        code = code_text(secrets.token_bytes(CODE_BYTES))
        # The code first: an envelope without its code could never be opened.
        rows = [row for row in rows if row[:2] != [session.participant, str(session.period)]]
        rows.append([session.participant, str(session.period), session.earliest.isoformat(), code])
        _write_rows(codes, [["participant", "period", "earliest", "code"], *rows])
        write_text(path, sealed(found, session, code, size=size))
        made += 1
    click.echo(f"{formatting.plural(made, 'session')} sealed in {folder}; codes in {codes}, which you keep.")
    return int(Exit.OK)


@click.command(name="open")
@click.argument("envelope", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("code")
@click.option(
    "-o", "--output", required=True, type=click.Path(path_type=Path, dir_okay=False), help="File of the prescription."
)
def open_session(envelope: Path, code: str, output: Path) -> int:
    """Open one sealed session with its code.

    Its prescription is written to a file and shown on no screen.
    """
    from ebbset.controller.recording.regular_files import read_document
    from ebbset.models.contract.prescription import Prescription
    from ebbset.study.envelopes import unsealed

    text = unsealed(read_document(envelope), code, what=str(envelope))
    order = Prescription.from_toml(text, what=str(envelope))
    write_text(output, text)
    click.echo(f"{order.name}, written to {output}")
    return int(Exit.OK)


def _known_codes(path: Path) -> list[list[str]]:
    from ebbset.controller.recording.regular_files import read_document

    if not path.exists():
        return []
    return [row for row in list(csv.reader(io.StringIO(read_document(path))))[1:] if row]


def _write_rows(path: Path, rows: Sequence[Sequence[object]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    write_text(path, text.getvalue())
