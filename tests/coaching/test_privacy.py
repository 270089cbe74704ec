"""What is stored about a lifter can be found, handed over and deleted, and nothing of anybody else is touched."""

from __future__ import annotations

import csv
import dataclasses
import gzip
import io
import json
import os
import shutil
import sys
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import frictionless
import pyarrow as arrow
import pyarrow.parquet as parquet
import pytest

from ebbset.coaching.privacy import INDEX, Kind, delete, export, find
from ebbset.coaching.worth import estimated
from ebbset.console.app import run
from ebbset.console.exits import Exit
from ebbset.controller.messages.events import Requested
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.controller.recording.sources import read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import OperatorRequest, RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.study_mark import Mark
from ebbset.study.export import export as export_tables
from tests.support.kinematic_rig import KinematicRig, profile_of
from tests.support.sessions import Tap, auto_drop_order

TABLES = ("sets", "repetitions", "decisions", "samples")


def mark(participant: str, period: int = 1) -> str:
    return Mark("0" * 64, participant, period, frozenset()).text()


def record(path: Path, lifter: str | None, *, notes: str = "", number: int = 0) -> Path:
    """A set of a few seconds; ``number`` makes its nonce another's."""
    profile = None if lifter is None else profile_of().model_copy(update={"lifter": lifter})
    rig = KinematicRig(auto_drop_order(notes=notes), profile=profile)
    rig.now_us += number * 1_000
    rig.controller = tap = Tap(rig.policies)
    rig.begin()
    while not rig.repetitions():
        rig.frame()
    rig.ask(RequestAction.STOP)
    rig.run(2.0)
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north", "wall_clock_at_zero": "2026-11-25T18:00:00+00:00"})
        for event, outputs in tap.pairs:
            writer.add(event, outputs)
        writer.finish({})
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with files of every kind that ebbset writes, and some that it does not."""
    here = tmp_path_factory.mktemp("site")
    (here / "recordings").mkdir()
    for number, lifter in enumerate(("a7", "a77", "beta-one")):
        (here / f"{lifter}-row.toml").write_text(profile_of().model_copy(update={"lifter": lifter}).to_toml())
        record(here / "recordings" / f"{lifter}.mcap", lifter, number=number)
    record(here / "recordings" / "nobody.mcap", None, number=3)
    record(here / "recordings" / "session.mcap", None, notes=mark("a7", 2), number=4)
    record(here / "recordings" / "other-session.mcap", None, notes=mark("p01"), number=5)
    whole = (here / "recordings" / "a7.mcap").read_bytes()
    (here / "recordings" / "damaged.mcap").write_bytes(whole[: int(len(whole) * 0.98)])
    files = [here / "recordings" / f"{n}.mcap" for n in ("a7", "a77", "beta-one", "nobody", "session", "other-session")]
    export_tables(files, here / "tables", estimate=estimated)
    assert run(["report", str(files[0]), str(files[2]), "--page", str(here / "november.html")]) == Exit.OK
    assert run(["report", str(files[4]), "--page", str(here / "second.html")]) == Exit.OK
    assert run(["report", str(files[1]), str(files[2]), "--page", str(here / "others.html")]) == Exit.OK
    (here / "a7-2.toml").write_text(auto_drop_order(notes=mark("a7", 2)).to_toml())
    (here / "p01-1.toml").write_text(auto_drop_order(notes=mark("p01")).to_toml())
    (here / "broken.toml").write_text('lifter = "a7"\nexercise = \n')
    (here / "study.toml").write_text('participants = ["a7", "beta-one"]\n')
    (here / "notes.csv").write_bytes("participant;remark\r\na7;müde\r\nbeta-one;gut\r\n".encode("latin-1"))
    (here / "list.csv").write_text("participant,load_n\na7,300\nbeta-one,200\n")
    (here / "old.csv.gz").write_bytes(gzip.compress(b"participant\na7\n"))
    (here / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n\0\0")
    (here / "a7.svg").write_text("<svg></svg>")
    (here / "readme.txt").write_text("ask a77 or a7.5 or beta-a7\n")
    (here / "link.toml").symlink_to(here / "a7-row.toml")
    return here


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "site", symlinks=True))


def items(site: Path) -> Iterator[RecordedSet]:
    for path in sorted((site / "recordings").glob("*.mcap")):
        yield from read_source(path).sets


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def rows(site: Path, table: str) -> list[dict[str, str]]:
    with (site / "tables" / f"{table}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_everything_about_one_lifter_is_found_and_nothing_about_another(site: Path) -> None:
    search = find("a7", [site])
    theirs = {item.nonce for item in items(site) if item.person == "a7"}
    assert search.nonces == theirs
    assert len(theirs) == 2
    kinds = {str(one.path.relative_to(site)): one.kind for one in search.found}
    assert kinds == {
        "a7-row.toml": Kind.PROFILE,
        "broken.toml": Kind.PROFILE,
        "recordings/a7.mcap": Kind.RECORDING,
        "recordings/damaged.mcap": Kind.RECORDING,
        "recordings/session.mcap": Kind.RECORDING,
        "a7-2.toml": Kind.ORDER,
        "november.html": Kind.PAGE,
        "second.html": Kind.PAGE,
        **{f"tables/{table}.{form}": Kind.ROWS for table in TABLES for form in ("csv", "parquet")},
        "study.toml": Kind.MENTION,
        "notes.csv": Kind.MENTION,
        "list.csv": Kind.MENTION,
        "a7.svg": Kind.NAME,
    }
    for one in search.found:
        if one.kind is Kind.ROWS:
            assert one.rows == sum(row["set"] in theirs for row in rows(site, one.path.stem)) > 0
    assert {one.path.name: one.why for one in search.unsearched} == {
        "old.csv.gz": "compressed",
        "picture.png": "not text",
        "link.toml": "a symbolic link, which is not followed",
    }


def test_deleting_follows_the_sets_through_all_tables_and_leaves_all_others_as_they_were(site: Path) -> None:
    before = contents(site)
    search = find("a7", [site])
    kept = {table: [row for row in rows(site, table) if row["set"] not in search.nonces] for table in TABLES}
    delete(search)
    after = contents(site)
    gone = {str(one.path.relative_to(site)) for one in search.found if one.kind.value in WHOLE}
    changed = {str(one.path.relative_to(site)) for one in search.found if one.kind is Kind.ROWS}
    assert before.keys() - after.keys() == gone
    assert {name for name in after if after[name] != before[name]} == changed
    for table in TABLES:
        assert rows(site, table) == kept[table] != []
        lines = before[f"tables/{table}.csv"].splitlines(keepends=True)
        assert set(after[f"tables/{table}.csv"].splitlines(keepends=True)) < set(lines), "byte for byte as they were"
        old = parquet.ParquetFile(io.BytesIO(before[f"tables/{table}.parquet"]))
        new = parquet.ParquetFile(site / "tables" / f"{table}.parquet")
        assert new.schema_arrow.equals(old.schema_arrow, check_metadata=True)
        assert new.metadata.num_rows == len(kept[table])
    assert frictionless.Package(str(site / "tables" / "datapackage.json")).validate().valid
    # A search of every byte, by other means.
    left = {name for name, data in after.items() if any(nonce.encode() in data for nonce in search.nonces)}
    assert left == set()
    names = {name for name, data in after.items() if b'"a7"' in data or b"a7;" in data or b"a7," in data}
    assert names == {"study.toml", "notes.csv", "list.csv"}


WHOLE = {"profile", "recording", "prescription", "page"}


def test_a_lifter_who_owns_every_row_leaves_empty_tables(site: Path) -> None:
    shutil.rmtree(site / "tables")
    export_tables([site / "recordings" / "a7.mcap"], site / "tables", estimate=estimated)
    delete(find("a7", [site]))
    assert not [one for one in find("a7", [site]).found if one.kind.value in {*WHOLE, "table"}]
    assert all(rows(site, table) == [] for table in TABLES)
    assert parquet.read_table(site / "tables" / "samples.parquet").num_rows == 0
    assert frictionless.Package(str(site / "tables" / "datapackage.json")).validate().valid


def test_a_number_as_pseudonym_takes_no_row_that_only_holds_the_number(tmp_path: Path) -> None:
    one = record(tmp_path / "one.mcap", None, notes=mark("1", 2), number=1)
    two = record(tmp_path / "two.mcap", None, notes=mark("2", 1), number=2)
    export_tables([one, two], tmp_path / "tables", estimate=estimated)
    run(["report", str(one), "--page", str(tmp_path / "one.html")])
    (tmp_path / "loads.csv").write_text("participant,sets\n1,2\n")
    nonce = read_source(one).sets[0].nonce
    before = {table: [row for row in rows(tmp_path, table) if row["set"] == nonce] for table in TABLES}
    search = find("2", [tmp_path])
    assert {found.path.name for found in search.found if found.kind is not Kind.ROWS} == {"two.mcap"}
    delete(search)
    assert {table: rows(tmp_path, table) for table in TABLES} == before


def test_what_is_handed_over_are_the_rows_that_a_deletion_takes(site: Path, tmp_path: Path) -> None:
    before = contents(site)
    search = find("a7", [site])
    target = tmp_path / "a7.zip"
    export(search, target)
    assert contents(site) == before
    with zipfile.ZipFile(target) as archive:
        index = json.loads(archive.read(INDEX))
        copied = {entry["from"]: archive.read(entry["file"]) for entry in index["files"] if "file" in entry}
    assert {entry["file"].rsplit("/", 1)[1] for entry in index["not_searched"]} >= {"old.csv.gz"}
    assert copied[str(site / "recordings" / "a7.mcap")] == before["recordings/a7.mcap"]
    assert not any(b'"beta-one"' in data for name, data in copied.items() if "tables" in name)
    all_rows = {table: rows(site, table) for table in TABLES}
    delete(search)
    for table in TABLES:
        taken = [row for row in all_rows[table] if row["set"] in search.nonces]
        for form in ("csv", "parquet"):
            data = copied[str(site / "tables" / f"{table}.{form}")]
            got = list(csv.DictReader(io.StringIO(data.decode())))
            assert [row["set"] for row in got] == [row["set"] for row in taken]
            if form == "csv":
                assert got == taken
    with pytest.raises(FileExistsError):
        export(search, target)


def _breaking(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """Let the disk fail at the n-th change of a file or folder."""
    done = 0

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            nonlocal done
            done += 1
            if done > after:
                raise OSError(28, "No space left on device", str(arguments[0]))
            return real(*arguments, **options)

        return call

    monkeypatch.setattr(Path, "replace", counted(Path.replace))
    monkeypatch.setattr(Path, "unlink", counted(Path.unlink))
    monkeypatch.setattr(os, "fsync", counted(os.fsync))


def test_an_interrupted_deletion_is_finished_by_the_next_one(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Path(shutil.copytree(site, tmp_path / "whole", symlinks=True))
    delete(find("a7", [whole]))
    wanted = contents(whole)
    for after in range(0, 40, 3):
        here = Path(shutil.copytree(site, tmp_path / f"broken{after}", symlinks=True))
        with monkeypatch.context() as broken:
            _breaking(broken, after)
            with pytest.raises(OSError, match="No space"):
                delete(find("a7", [here]))
        delete(find("a7", [here]))
        assert contents(here) == wanted, after


def test_the_command_deletes_after_asking_and_proves_what_is_left(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(site)
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    assert run(["lifter", "delete", "a7", str(site)]) == Exit.INTERRUPTED
    assert contents(site) == before
    capsys.readouterr()
    assert run(["lifter", "delete", "a7", str(site), "--yes"]) == Exit.NO
    said = capsys.readouterr().out.split("left:")[1]
    assert "study.toml" in said
    assert "notes.csv" in said
    assert "old.csv.gz: compressed" in said
    for name in ("study.toml", "notes.csv", "list.csv", "a7.svg"):
        (site / name).unlink()
    assert run(["lifter", "delete", "a7", str(site), "--yes"]) == Exit.NO
    said = capsys.readouterr().out
    assert "not searched, so nothing is known about 3 files" in said
    assert "every file was searched" not in said
    for name in ("old.csv.gz", "picture.png", "link.toml"):
        (site / name).unlink()
    assert run(["lifter", "delete", "a7", str(site), "--yes"]) == Exit.OK
    assert "nothing about a7 is left in these folders; every file was searched" in capsys.readouterr().out


def test_the_command_lists_and_exports(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["lifter", "show", "beta-one", str(site), "--json"]) == Exit.OK
    told = json.loads(capsys.readouterr().out)
    assert {entry["kind"] for entry in told["files"]} == {"profile", "recording", "table", "page", "mention"}
    assert len(told["not_searched"]) == 3
    assert run(["lifter", "show", "beta-one", str(site)]) == Exit.OK
    assert "tables/samples.csv" in capsys.readouterr().out
    target = site / "b1.zip"
    assert run(["lifter", "export", "beta-one", str(site), "--to", str(target)]) == Exit.OK
    assert target.exists()
    assert {one.kind for one in find("beta-one", [target]).found} == {Kind.ARCHIVE}


def test_a_recording_that_names_another_lifter_too_is_left_and_said(tmp_path: Path) -> None:
    path = record(tmp_path / "two.mcap", "a7", notes=mark("p01"))
    before = path.read_bytes()
    search = find("a7", [tmp_path])
    assert [one.kind for one in search.found] == [Kind.SHARED]
    delete(search)
    assert path.read_bytes() == before


def test_foreign_tables_and_wide_text_are_never_rewritten(tmp_path: Path) -> None:
    parquet.write_table(arrow.table({"participant": ["a7", "b"], "load_n": [1.0, 2.0]}), tmp_path / "own.parquet")
    (tmp_path / "wide.csv").write_bytes("participant\na7\n".encode("utf-16"))
    before = contents(tmp_path)
    search = find("a7", [tmp_path])
    assert [(one.path.name, one.kind, one.rows) for one in search.found] == [("own.parquet", Kind.MENTION, 1)]
    assert [(one.path.name, one.why) for one in search.unsearched] == [("wide.csv", "not text")]
    delete(search)
    assert contents(tmp_path) == before


def test_without_the_library_for_parquet_its_files_are_called_not_searched(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    search = find("a7", [site])
    assert {one.path.name for one in search.unsearched} > {f"{table}.parquet" for table in TABLES}
    assert {one.why for one in search.unsearched if one.path.suffix == ".parquet"} == {
        "Parquet needs pyarrow: pip install 'ebbset[study]'"
    }
    assert {one.path.name for one in search.found if one.kind is Kind.ROWS} == {f"{table}.csv" for table in TABLES}


@pytest.mark.parametrize("name", ["", " ", "a b", "*", "a/b"])
def test_what_is_no_pseudonym_finds_and_deletes_nothing(site: Path, name: str) -> None:
    before = contents(site)
    with pytest.raises(ValueError, match="String should"):
        find(name, [site])
    assert run(["lifter", "delete", name, str(site), "--yes"]) == Exit.USAGE
    assert contents(site) == before


def test_a_recording_whose_damage_took_the_name_is_found_by_its_nonce(site: Path) -> None:
    whole = (site / "recordings" / "a7.mcap").read_bytes()
    (site / "recordings" / "nameless.mcap").write_bytes(whole.replace(b'"lifter":"a7"', b'"lif\0er":"a7"'))
    kinds = {one.path.name: one.kind for one in find("a7", [site]).found}
    assert kinds["nameless.mcap"] is Kind.RECORDING


def test_a_folder_given_twice_is_searched_once(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(site)
    twice = find("a7", [site, Path("."), Path("tables/../tables"), site / "tables"])
    assert len(twice.found) == len(find("a7", [site]).found)
    delete(twice)
    assert {one.kind for one in find("a7", [site]).found} == {Kind.MENTION, Kind.NAME}


def test_a_folder_that_cannot_be_listed_is_an_error_and_not_an_empty_answer(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        find("a7", [tmp_path / "nowhere"])


def test_only_a_pseudonym_can_be_stored() -> None:
    """No field anywhere for a name, an address, a birth date, a mail address, a telephone number."""
    personal = {"name", "address", "birth", "email", "mail", "phone", "sex", "gender", "age", "weight"}
    fields = set(LifterProfile.model_fields) | {f.name for f in dataclasses.fields(Requested)}
    fields |= set(OperatorRequest.model_fields)
    assert not {field for field in fields if personal & set(field.split("_"))}
    pattern = LifterProfile.model_json_schema()["properties"]["lifter"]
    assert "pseudonym" in pattern["description"]
    assert "pattern" in pattern, "no spaces, so that no name fits in by habit"
    assert "lifter" not in Prescription.model_fields
