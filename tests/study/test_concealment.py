"""Concealment: a list made ahead that stays true, and sessions that only their own code opens."""

from __future__ import annotations

import base64
import csv
import json
import re
from collections import Counter
from pathlib import Path

import pytest

from ebbset.coaching.privacy import delete, find
from ebbset.console.app import run
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import mark_of
from ebbset.study.study_file import read_study

ARM = """
name = "{name}"
exercise = "row"
[load]
start_n = 450.0
floor_n = 200.0
[stop]
max_drops = {drops}
"""
STUDY = """
name = "Concealed (invented)"
seed = 7
design = "parallel"
start = 2026-12-01
washout_days = 0
time_zone = "Pacific/Auckland"
planned = 4
[[conditions]]
code = "A"
label = "one drop"
prescription = "one.toml"
[[conditions]]
code = "B"
label = "many drops"
prescription = "many.toml"
[[participants]]
id = "p01"
[[participants]]
id = "p02"
[[participants]]
id = "p03"
"""
LATE = """
[[amendments]]
date = 2026-12-10
reason = "enrolled"
[[amendments.add]]
id = "p04"
[[amendments.add]]
id = "p05"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "one.toml").write_text(ARM.format(name="One", drops=1))
    (tmp_path / "many.toml").write_text(ARM.format(name="Many drops in a longer name", drops=12))
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_a_list_made_ahead_with_spares_is_what_later_participants_get(folder: Path) -> None:
    assert run(["study", "list", "study.toml", "--spare", "3", "-o", "ahead.csv"]) == 0
    ahead = rows(folder / "ahead.csv")
    assert [row["participant"] for row in ahead] == ["p01", "p02", "p03", "", "", "", ""]
    (folder / "study.toml").write_text(STUDY + LATE)
    found = read_study(folder / "study.toml")
    for person in found.people:
        session = found.session(person.id, 1)
        assert session is not None
        assert session.condition == ahead[person.place]["session_1"]
    planned = Counter(row["session_1"] for row in ahead[:4])
    assert planned == {"A": 2, "B": 2}


def test_a_session_opens_with_its_own_code_alone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    codes = {row["participant"]: row["code"] for row in rows(folder / "codes.csv")}
    assert len(set(codes.values())) == 3
    capsys.readouterr()
    typed = codes["p01"].lower().replace("-", " ")
    assert run(["study", "open", "sealed/p01-01.sealed", typed, "-o", "today.toml"]) == 0
    assert capsys.readouterr().out == "Session 1 of p01, written to today.toml\n"
    found = read_study(folder / "study.toml")
    session = found.session("p01", 1)
    assert session is not None
    opened = Prescription.from_toml((folder / "today.toml").read_text())
    assert opened == found.order_of(session)
    for code in (codes["p02"], "AAAA-BBBB-CCCC-DDDD", ""):
        assert run(["study", "open", "sealed/p01-01.sealed", code, "-o", "other.toml"]) == 3
        assert "does not open" in capsys.readouterr().err
    assert not (folder / "other.toml").exists()


def test_an_envelope_tells_nothing_of_its_condition(folder: Path) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    envelopes = sorted((folder / "sealed").iterdir())
    found = read_study(folder / "study.toml")
    assert {s.condition for s in found.schedule} == {"A", "B"}
    assert len({len(path.read_bytes()) for path in envelopes}) == 1
    text = "".join(path.read_text() for path in envelopes) + (folder / "codes.csv").read_text()
    ciphered = b"".join(base64.b64decode(one) for one in re.findall(r'"sealed": "([^"]+)"', text))
    assert list(rows(folder / "codes.csv")[0]) == ["participant", "period", "earliest", "code"]
    plain = re.sub(r'"sealed": "[^"]+"', "", text)
    # None of these can come about in a tag, a hash or a code by chance.
    for word in ("drop", "One", "Many", "max_", "start_n", "seed", '"A"'):
        assert word not in plain, word
    for path in envelopes:
        told = json.loads(path.read_text())
        assert set(told) == {"form", "study", "session", "sealed", "tag"}
        assert (told["study"], told["session"]) == (found.hash, f"{path.name[:3]}/1")
    for secret in (b"max_drops", b"Many drops", b"start_n", b"exercise"):
        assert secret not in ciphered, secret
    # The same prescription under two codes has no stretch in common.
    hidden = [re.search(r'"sealed": "([^"]+)"', path.read_text()) for path in envelopes]
    assert all(match is not None for match in hidden)
    first, second, third = (match[1] for match in hidden if match is not None)
    assert not any(a == b for a, b in ((first[:8], second[:8]), (first[:8], third[:8]), (second[:8], third[:8])))


def test_an_envelope_that_was_changed_does_not_open(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    code = rows(folder / "codes.csv")[0]["code"]
    path = folder / "sealed" / "p01-01.sealed"
    whole = path.read_text()
    for changed in (
        whole.replace("p01/1", "p02/1"),
        re.sub(r'("sealed": ".{20})(.)', lambda m: m[1] + ("A" if m[2] != "A" else "B"), whole),
        whole[: len(whole) // 2],
        "[]",
        "{}",
    ):
        path.write_text(changed)
        assert run(["study", "open", str(path), code, "-o", "other.toml"]) == 3
        error = capsys.readouterr().err
        assert "Traceback" not in error
        assert "allowed" in error


def test_after_an_amendment_only_new_sessions_are_sealed(folder: Path) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    before = {path.name: path.read_text() for path in (folder / "sealed").iterdir()}
    codes = rows(folder / "codes.csv")
    (folder / "study.toml").write_text(STUDY + LATE)
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    after = {path.name: path.read_text() for path in (folder / "sealed").iterdir()}
    assert set(after) - set(before) == {"p04-01.sealed", "p05-01.sealed"}
    assert {name: after[name] for name in before} == before
    assert rows(folder / "codes.csv")[:3] == codes
    code = next(row["code"] for row in rows(folder / "codes.csv") if row["participant"] == "p04")
    assert run(["study", "open", "sealed/p04-01.sealed", code, "-o", "p04.toml"]) == 0
    mark = mark_of(Prescription.from_toml((folder / "p04.toml").read_text()).notes)
    assert mark is not None
    assert mark.origin is not None
    assert mark.origin.amendment == 1


def test_codes_stay_out_of_the_folder_that_is_given_away(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "sealed/codes.csv"]) == 2
    assert "kept apart" in capsys.readouterr().err
    assert not (folder / "sealed").exists()


def test_a_blinded_prescription_is_not_shown_on_a_terminal(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert folder.exists()
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert run(["study", "session", "study.toml", "p01", "1"]) == 2
    caught = capsys.readouterr()
    assert "drop" not in caught.out
    assert "--output" in caught.err
    assert run(["study", "session", "study.toml", "p01", "1", "-o", "p01-1.toml"]) == 0


def test_envelopes_of_a_deleted_lifter_are_deleted(folder: Path) -> None:
    assert run(["study", "seal", "study.toml", "sealed", "--codes", "codes.csv"]) == 0
    delete(find("p01", [folder / "sealed"]))
    assert sorted(path.name for path in (folder / "sealed").iterdir()) == ["p02-01.sealed", "p03-01.sealed"]
