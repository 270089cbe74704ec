"""What is stored about a lifter can be found, handed over and deleted, and nothing of anybody else is touched."""

from __future__ import annotations

import csv
import dataclasses
import json
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from ebbset.coaching.privacy import INDEX, Kind, delete, export, find
from ebbset.console.commands.lifter import command
from ebbset.controller.messages.events import LinkUp, Requested
from ebbset.controller.recording.reader import read_recording
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.operator_messages import OperatorRequest, RequestAction
from ebbset.models.contract.prescription import Prescription, example
from ebbset.models.contract.profile import LifterProfile
from tests.support.kinematic_rig import profile_of

STUDY = "0" * 64


def recording(path: Path, *, lifter: str | None, notes: str = "") -> None:
    profile = None if lifter is None else profile_of().model_copy(update={"lifter": lifter})
    request = Requested(
        now_us=1,
        correlation_id="ask-00001",
        action=RequestAction.ARM,
        operator="coach",
        cautions_shown=True,
        fresh_nonce="nonce-0001",
        prescription=example(notes=notes),
        profile=profile,
    )
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"rig": "north"})
        writer.add(LinkUp(now_us=0), ())
        writer.add(request, ())
        writer.finish({"handled": "2", "lost": "0"})


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "site"
    (folder / "recordings").mkdir(parents=True)
    for lifter in ("a7", "a77", "beta-one"):
        (folder / f"{lifter}.toml").write_text(profile_of().model_copy(update={"lifter": lifter}).to_toml())
        recording(folder / "recordings" / f"{lifter}.mcap", lifter=lifter)
    recording(folder / "recordings" / "nobody.mcap", lifter=None)
    mark = f"study:{STUDY} session:a7/2 hide:load"
    recording(folder / "recordings" / "study.mcap", lifter=None, notes=mark)
    whole = (folder / "recordings" / "a7.mcap").read_bytes()
    (folder / "recordings" / "damaged.mcap").write_bytes(whole[: int(len(whole) * 0.98)])
    (folder / "repetitions.csv").write_text("participant,load_n\na7,300\nbeta-one,200\na77,100\na7,240\n")
    (folder / "report.html").write_text("<p>lifter a7</p>")
    (folder / "other.html").write_text("<p>lifter a77, a7.5, beta-one</p>")
    (folder / "study.toml").write_text('participants = ["a7", "beta-one"]\n')
    (folder / "broken.toml").write_text('lifter = "a7"\nexercise = \n')
    return folder


def names(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def test_everything_about_one_lifter_is_found_and_nothing_about_another(site: Path) -> None:
    found = {str(one.path.relative_to(site)): (one.kind, one.rows) for one in find("a7", [site])}
    assert found == {
        "a7.toml": (Kind.PROFILE, 0),
        "broken.toml": (Kind.PROFILE, 0),
        "recordings/a7.mcap": (Kind.RECORDING, 0),
        "recordings/damaged.mcap": (Kind.RECORDING, 0),
        "recordings/study.mcap": (Kind.RECORDING, 0),
        "repetitions.csv": (Kind.TABLE, 2),
        "report.html": (Kind.PAGE, 0),
        "study.toml": (Kind.MENTION, 0),
    }


def test_an_export_holds_whole_files_own_rows_and_an_index(site: Path, tmp_path: Path) -> None:
    target = tmp_path / "a7.zip"
    before = names(site)
    export("a7", find("a7", [site]), target)
    assert names(site) == before
    with zipfile.ZipFile(target) as archive:
        index = json.loads(archive.read(INDEX))
        files = {entry["from"].rsplit("/", 1)[1]: entry for entry in index["files"]}
        assert archive.read(files["a7.mcap"]["file"]) == (site / "recordings" / "a7.mcap").read_bytes()
        table = archive.read(files["repetitions.csv"]["file"]).decode()
        assert "file" not in files["study.toml"]
        copied = b"".join(archive.read(entry["file"]) for entry in index["files"] if "file" in entry)
    assert list(csv.reader(table.splitlines())) == [["participant", "load_n"], ["a7", "300"], ["a7", "240"]]
    assert b"beta-one" not in copied
    with pytest.raises(FileExistsError):
        export("a7", [], target)


def test_deleting_takes_out_the_lifter_and_leaves_all_others_as_they_were(site: Path) -> None:
    kept = {
        name: (site / name).read_bytes()
        for name in ("a77.toml", "beta-one.toml", "other.html", "recordings/beta-one.mcap")
    }
    delete("a7", find("a7", [site]))
    assert [(one.path.name, one.kind) for one in find("a7", [site])] == [("study.toml", Kind.MENTION)]
    assert all((site / name).read_bytes() == data for name, data in kept.items())
    assert read_recording(site / "recordings" / "nobody.mcap").whole
    assert (site / "repetitions.csv").read_text() == "participant,load_n\nbeta-one,200\na77,100\n"


def test_parquet_tables_lose_only_the_lifters_rows(tmp_path: Path) -> None:
    arrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "sets.parquet"
    parquet.write_table(arrow.table({"participant": ["a7", "beta-one", "a7"], "load_n": [1.0, 2.0, 3.0]}), path)
    assert [(one.kind, one.rows) for one in find("a7", [tmp_path])] == [(Kind.COLUMNS, 2)]
    export("a7", find("a7", [tmp_path]), tmp_path / "out.zip")
    delete("a7", find("a7", [tmp_path]))
    assert parquet.read_table(path).to_pydict() == {"participant": ["beta-one"], "load_n": [2.0]}


def test_the_command_deletes_after_asking_and_says_what_is_left(site: Path) -> None:
    before = names(site)
    refused = CliRunner().invoke(command, ["delete", "a7", str(site)], input="n\n", standalone_mode=False)
    assert names(site) == before
    assert refused.exception is not None
    done = CliRunner().invoke(command, ["delete", "a7", str(site), "--yes"], standalone_mode=False)
    assert done.return_value == 1
    assert "study.toml" in done.output.split("left:")[1]
    (site / "study.toml").unlink()
    again = CliRunner().invoke(command, ["delete", "a7", str(site), "--yes"], standalone_mode=False)
    assert again.return_value == 0
    assert "nothing about a7 is left" in again.output


def test_the_command_lists_and_exports(site: Path, tmp_path: Path) -> None:
    shown = CliRunner().invoke(command, ["show", "beta-one", str(site), "--json"], standalone_mode=False)
    assert {entry["kind"] for entry in json.loads(shown.output)} == {"profile", "recording", "table", "page", "mention"}
    target = tmp_path / "b1.zip"
    done = CliRunner().invoke(command, ["export", "beta-one", str(site), "--to", str(target)], standalone_mode=False)
    assert done.return_value == 0
    assert target.exists()


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
