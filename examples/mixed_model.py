"""A mixed model on exported tables, tried on simulated data whose true effect is known.

An invented crossover study: the same six repetitions at two seat settings, of which B shortens everybody's range of
motion by exactly three centimetres. Nobody sits exactly the same way twice, so the range also varies from session to
session with a standard deviation of a centimetre. Twelve simulated lifters do every session through the real
controller; sessions are recorded, exported and analysed like real ones, and the analysis must recover the three
centimetres. Run it before a study to see whether schedule, export and model work and whether there are enough
participants; with EFFECT_M = 0 it should find nothing.

    python examples/mixed_model.py
"""

from __future__ import annotations

import datetime
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ebbset.coaching.worth import estimated
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.lifter.lifter import LifterParameters
from ebbset.study.analysis.mixed_model import analysed
from ebbset.study.analysis.session_values import session_values
from ebbset.study.design import StudyFile
from ebbset.study.export import export
from ebbset.study.rehearsal import rehearse
from ebbset.study.study_file import Session, Study, study_of

EFFECT_M = -0.03
SEATING_SD_M = 0.01
PARTICIPANTS = 12


@dataclass(frozen=True)
class Found:
    """Estimated effect of setting B on range of motion, m, with its 95 % confidence interval and p value."""

    effect_m: float
    low_m: float
    high_m: float
    p_value: float
    sets: int


def invented_study(seed: int) -> Study:
    """A study whose two conditions prescribe the same set; only the seat differs, which is not in the prescription."""
    order = Prescription.model_validate(
        {
            "name": "Six repetitions",
            "exercise": "bench_press",
            "load": {"start_n": 300.0, "floor_n": 150.0},
            "bouts": [{"repetitions": 6, "on_stall": "end"}],
        }
    )
    file = StudyFile.model_validate(
        {
            "name": "Two seat settings (invented)",
            "seed": seed,
            "design": "crossover",
            "blocks": 2,
            "start": datetime.date(2026, 12, 1),
            "washout_days": 2,
            "time_zone": "Europe/Berlin",
            "reference_one_rm_n": 500.0,
            "conditions": [
                {"code": "A", "label": "setting A", "prescription": "six.toml"},
                {"code": "B", "label": "setting B", "prescription": "six.toml"},
            ],
            "participants": [{"id": f"p{k:02d}", "one_rm_n": 420.0 + 25.0 * k} for k in range(1, PARTICIPANTS + 1)],
        }
    )
    return study_of(file, {"A": order, "B": order})


def analyse(folder: Path) -> Found:
    """Compare the range of motion of each set between conditions, as `ebbset study power` does and a plan says."""
    values = session_values(folder, "rom_m")
    (contrast,) = analysed(values, conditions=("A", "B"), design="crossover")
    return Found(contrast.effect, contrast.low, contrast.high, contrast.p_value, len(values))


def run(effect_m: float, seed: int, folder: Path) -> Found:
    """Rehearse the study with a known effect, export it and analyse it.

    Args:
        effect_m: true effect of setting B on the range of motion, metres.
        seed: of schedule, lifters and seating.
        folder: where recordings and tables go.
    """
    study = invented_study(seed)

    seating = np.random.default_rng(seed)

    def seated(lifter: LifterParameters, session: Session) -> LifterParameters:
        shift_m = effect_m if session.condition == "B" else 0.0
        return replace(lifter, rom_m=lifter.rom_m + shift_m + SEATING_SD_M * float(seating.standard_normal()))

    recordings = list(rehearse(study, folder / "recordings", seed=seed, adjust=seated))
    export(recordings, folder / "tables", study=study, estimate=estimated)
    return analyse(folder / "tables")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        found = run(EFFECT_M, seed=1, folder=Path(scratch))
    print(f"true effect  {100 * EFFECT_M:+.1f} cm, built into the simulated lifters")
    print(
        f"found        {100 * found.effect_m:+.1f} cm (95 % CI {100 * found.low_m:+.1f} to {100 * found.high_m:+.1f}), "
        f"p = {found.p_value:.1g}, {found.sets} sets"
    )
