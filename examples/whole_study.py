"""A whole study rehearsed from its file to its analysis, with faults planted, and once without.

Twenty-four simulated people in Auckland do two repetitions at each of two seat settings, of which B shortens the range
of motion by three centimetres. One of them withdraws after the first session and somebody joins late, each by an
amendment. In the faulty copy a session is done twice, and another comes a day after the one before, where three are
required. The faults, and nothing else, must be told, and the analysis must find the three centimetres all the same.

    python examples/whole_study.py
"""

from __future__ import annotations

import datetime
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ebbset.coaching.worth import estimated
from ebbset.controller.recording.sources import read_source
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.study.analysis.mixed_model import Contrast, analysed
from ebbset.study.analysis.session_values import session_values
from ebbset.study.departures import departures_of, remarks_on
from ebbset.study.export import export
from ebbset.study.fidelity import fidelity_of
from ebbset.study.rehearsal import HOUR, person, record_set, rehearse
from ebbset.study.study_file import Session, Study, read_study

EFFECT_M = -0.03
SEATING_SD_M = 0.01
PARTICIPANTS = 24
LEFT, LATE, TWICE, TOO_SOON = "kea07", "kea25", "kea03", "kea05"
PRESCRIPTION = """
name = "Quick repetitions"
exercise = "bench_press"
[load]
start_n = 300.0
floor_n = 150.0
[[bouts]]
repetitions = 2
on_stall = "end"
"""
HEAD = """
name = "Two seat settings in Auckland (invented)"
seed = 41
design = "crossover"
start = 2027-02-01
washout_days = 3
time_zone = "Pacific/Auckland"
planned = 24
reference_one_rm_n = 500.0
replacement = "next"
[blinding]
hide = ["load"]
[[conditions]]
code = "A"
label = "setting A"
prescription = "setting-a.toml"
[[conditions]]
code = "B"
label = "setting B"
prescription = "setting-b.toml"
"""
AMENDMENTS = f"""
[[amendments]]
date = 2027-02-03
reason = "moved away"
withdraw = ["{LEFT}"]
[[amendments]]
date = 2027-02-08
reason = "takes the place that became free"
[[amendments.add]]
id = "{LATE}"
one_rm_n = 505.0
replaces = "{LEFT}"
"""


@dataclass(frozen=True)
class Told:
    """What is said of one set of recordings, and what their analysis finds."""

    departures: list[str]
    remarks: list[str]
    contrast: Contrast
    sessions: int


def write_study(folder: Path) -> Path:
    """Write study file and prescriptions into a folder.

    Args:
        folder: made if it is not there.
    """
    folder.mkdir(parents=True, exist_ok=True)
    people = "".join(
        f'[[participants]]\nid = "kea{k:02d}"\none_rm_n = {420.0 + 6.0 * k}\n' for k in range(1, PARTICIPANTS + 1)
    )
    # The seat is not in the prescription: both conditions order the same.
    for code in "ab":
        (folder / f"setting-{code}.toml").write_text(PRESCRIPTION)
    (folder / "study.toml").write_text(HEAD + people + AMENDMENTS)
    return folder / "study.toml"


def seated(seed: int) -> dict[tuple[str, int], float]:
    """Where each session finds the seat, metres: nobody sits exactly the same way twice.

    Args:
        seed: of the seating.
    """
    rng = np.random.default_rng(seed)
    people = [f"kea{k:02d}" for k in range(1, PARTICIPANTS + 2)]
    return {(name, period): SEATING_SD_M * float(rng.standard_normal()) for name in people for period in (1, 2)}


def rehearsed(study: Study, folder: Path, seed: int) -> list[Path]:
    """Record every session as it should be.

    Args:
        study: the study.
        folder: where recordings go.
        seed: of people, sets and seating.
    """
    where = seated(seed)

    def adjusted(lifter: LifterParameters, session: Session) -> LifterParameters:
        shift_m = where[session.participant, session.period] + (EFFECT_M if session.condition == "B" else 0.0)
        return replace(lifter, rom_m=lifter.rom_m + shift_m)

    return list(rehearse(study, folder, seed=seed, adjust=adjusted))


def with_faults(study: Study, recordings: list[Path], folder: Path, seed: int) -> list[Path]:
    """The same recordings with two faults: a session that is done again, and one a day after the one before.

    Args:
        study: the study.
        recordings: as they should be.
        folder: where the faulty ones go.
        seed: of the sets that are recorded anew.
    """
    folder.mkdir(parents=True, exist_ok=True)
    again = _recorded(study, study.session(TWICE, 1), folder / f"{TWICE}-01-again.mcap", seed, days=0, hours=1)
    late = _recorded(study, study.session(TOO_SOON, 1), folder / f"{TOO_SOON}-01.mcap", seed, days=2, hours=0)
    kept = [path for path in recordings if path.name != late.name]
    return [*kept, again, late]


def _recorded(study: Study, session: Session | None, path: Path, seed: int, *, days: int, hours: int) -> Path:
    """One session, some time after its earliest day."""
    assert session is not None
    number = [one.id for one in study.people].index(session.participant)
    begun = datetime.datetime.combine(session.earliest, datetime.time(HOUR + hours), study.file.zone)
    record_set(
        path,
        study.order_of(session),
        person(study, number, RigParameters(), seed),
        seed=np.random.SeedSequence(seed, spawn_key=(99, number)),
        begun_at=begun + datetime.timedelta(days=days),
    )
    return path


def told(study: Study, recordings: list[Path], tables: Path) -> Told:
    """Judge, export and analyse recordings.

    Args:
        study: the study.
        recordings: the recordings.
        tables: where the tables go.
    """
    sets = [item for path in recordings for item in read_source(path).sets]
    judged = [fidelity_of(item, study) for item in sets]
    departures = [f"{one.source}: {text}" for one in judged for text in one.departures]
    export(recordings, tables, study=study, estimate=estimated)
    values = session_values(tables, "rom_m")
    (contrast,) = analysed(values, conditions=("A", "B"), design="crossover")
    return Told([*departures, *departures_of(sets, study)], remarks_on(sets, study), contrast, len(values))


def run(folder: Path, seed: int = 3) -> tuple[Told, Told]:
    """Rehearse the study without faults and with them.

    Args:
        folder: where everything goes.
        seed: of people, sets and seating.

    Returns:
        What is told of the clean recordings, and of the faulty ones.
    """
    study = read_study(write_study(folder))
    clean = rehearsed(study, folder / "recordings", seed)
    faulty = with_faults(study, clean, folder / "faults", seed)
    return told(study, clean, folder / "tables"), told(study, faulty, folder / "tables-with-faults")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        clean, faulty = run(Path(scratch))
    for name, found in (("without faults", clean), ("with faults", faulty)):
        print(f"{name}: {found.sessions} sessions")
        for text in found.remarks:
            print(f"  note: {text}")
        for text in found.departures or ["none"]:
            print(f"  departure: {text}")
        one = found.contrast
        print(f"  B - A {100 * one.effect:+.1f} cm (95 % CI {100 * one.low:+.1f} to {100 * one.high:+.1f}), "
              f"true {100 * EFFECT_M:+.1f} cm")  # fmt: skip
