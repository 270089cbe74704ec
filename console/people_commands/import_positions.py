"""``ebbset import``: any encoder's position series into recordings, so that the detector can be judged on them."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.progress import progress


@click.command(name="import")
@click.argument("series", type=click.Path(path_type=Path), metavar="CSV")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to fill.")
@click.option("--exercise", required=True, help="What was lifted, as in a prescription.")
@click.option("--time", required=True, metavar="COLUMN", help="Column of times.")
@click.option("--position", required=True, metavar="COLUMN", help="Column of positions of the handle or bar.")
@click.option("--load", metavar="LOAD", help="One load throughout, such as '80 kg'.")
@click.option("--load-column", metavar="COLUMN", help="Column of loads.")
@click.option("--set", "set_column", metavar="COLUMN", help="Column that names the set; by default, one set a file.")
@click.option("--person", metavar="PSEUDONYM", help="Who lifted.")
@click.option("--person-column", metavar="COLUMN", help="Column of pseudonyms.")
@click.option("--time-unit", type=click.Choice(["s", "ms", "us"]), default="s", show_default=True)
@click.option("--length-unit", type=click.Choice(["m", "cm", "mm"]), default="m", show_default=True)
@click.option("--load-unit", type=click.Choice(["kg", "lb", "N"]), default="kg", show_default=True)
@click.option("--delimiter", default=",", show_default=True, help="One character, or the word tab.")
@click.option("--decimal", type=click.Choice([".", ","]), default=".", show_default=True, help="Decimal mark.")
@click.option("--falling", is_flag=True, help="Positions fall while the handle rises.")
@click.option("--rate", type=click.FloatRange(20.0, 1000.0), help="Resample to this rate, Hz.")
@click.option("--hold", is_flag=True, help="The encoder writes only when it moves: hold positions between samples.")
@click.option("--simulated", is_flag=True, help="Nobody lifted: the series comes from a simulator.")
def command(
    series: Path, output: Path, rate: float | None, hold: bool, simulated: bool, exercise: str, **map_: Any
) -> int:
    """Turn position series into recordings, one for each set.

    Times within a set must rise. A series of 20 to 1000 samples a second stays as it is; another is brought to 100.
    Velocity is made of the positions by the controller's own filter, which looks only backward. The recordings say that
    ebbset did not command their loads; `ebbset evaluate --recordings` runs the detector over them open loop.

    \b
    Example:
      ebbset import bench.csv --exercise bench_press --time "t (s)" --position "bar (mm)" --length-unit mm \\
        --set set --person-column athlete --load-column "load (kg)" -o recordings
    """
    from ebbset.models.contract.field_types import Name
    from ebbset.simulators.evaluation.labelled.imported import write_imported
    from ebbset.simulators.evaluation.labelled.positions import read_series, resampled

    columns = _column_map(**map_)
    _fits(Name, "exercise", exercise)
    found = read_series(series, columns)
    facts = {
        "imported_from": series.name,
        "imported_sha256": hashlib.sha256(series.read_bytes()).hexdigest(),
    }
    output.mkdir(parents=True, exist_ok=True)
    with progress("importing") as say:
        for number, one in enumerate(found, start=1):
            say(f"set {number} of {len(found)}")
            _fits(Name, "person", one.person)
            try:
                ready = resampled(one, rate_hz=rate, fill="hold" if hold else "linear")
                write_imported(ready, output, exercise=exercise, facts=facts, simulated=simulated)
            except FileExistsError as error:
                raise CommandError(
                    f"{error.filename} is there already; allowed: a folder without a recording of set {one.name!r}",
                    Exit.BAD_INPUT,
                ) from None
            except ValueError as error:
                raise CommandError(f"{series}: {error}", Exit.BAD_INPUT) from None
    what = "simulated set" if simulated else "set"
    click.echo(f"{output}: {len(found)} {what}{'' if len(found) == 1 else 's'}; loads not commanded by ebbset")
    return int(Exit.OK)


def _column_map(
    *,
    load: str | None,
    load_column: str | None,
    set_column: str | None,
    person: str | None,
    person_column: str | None,
    delimiter: str,
    **rest: Any,
) -> Any:
    """The column map of the options."""
    from ebbset.models.contract.field_types import LOAD_N
    from ebbset.models.contract.units import parse_load
    from ebbset.simulators.evaluation.labelled.positions import ColumnMap

    if (load is None) == (load_column is None):
        raise click.UsageError("Give one of --load and --load-column.")
    if (person is None) == (person_column is None):
        raise click.UsageError("Give one of --person and --person-column.")
    delimiter = "\t" if delimiter == "tab" else delimiter
    if len(delimiter) != 1 or delimiter == rest["decimal"]:
        raise click.UsageError("--delimiter is one character, or the word tab, and not the decimal mark.")
    load_n = None
    if load is not None:
        try:
            load_n = parse_load(load)
        except ValueError as error:
            raise click.UsageError(str(error)) from None
        if not LOAD_N[0] < load_n <= LOAD_N[1]:
            raise click.UsageError(f"load is {load!r}; allowed: above 0 and at most {LOAD_N[1]} N")
    return ColumnMap(
        load=load_column,
        load_n=load_n,
        set=set_column,
        person=person_column,
        lifter=person or "",
        delimiter=delimiter,
        **rest,
    )


def _fits(kind: Any, name: str, value: str) -> None:
    """Refuse a text that a later step would refuse, with its own words."""
    from pydantic import TypeAdapter, ValidationError

    from ebbset.models.contract.problems import problems_of

    try:
        TypeAdapter(kind).validate_python(value)
    except ValidationError as error:
        allowed = problems_of(error)[0].allowed
        raise CommandError(f"{name} is {value!r}; allowed: {allowed}", Exit.BAD_INPUT) from None
