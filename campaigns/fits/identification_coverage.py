"""How often the identification of a rig holds the truth, over ordinary and odd simulated rigs.

``python -m campaigns.fits.identification_coverage --write`` renews the table of docs/identification.md (half a minute
of one core). Nothing is fitted here.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from campaigns.fits.sharing import add_options, shared_out
from ebbset.conformance.identification.identify import LIGHT_SHARE, identify
from ebbset.conformance.identification.quantities import CableIdentification, Estimate
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.plant import Plant
from ebbset.simulators.plant.rig_parameters import RigParameters
from ebbset.simulators.population.population import draw_lifter, person_rng
from ebbset.simulators.rig.firmware import RigFirmware
from ebbset.simulators.rig.sensors import SensorParameters, Sensors
from ebbset.simulators.rig.simulated_rig import SimulatedRig, limits_of
from tests.support.simulated_access import SimulatedAccess

SEEDS: Final = 10
PAGE: Final = Path("docs/identification.md")
BEGIN, END = "<!-- table: campaigns.fits.identification_coverage -->\n", "<!-- end of table -->\n"
RIGS: Final[dict[str, RigParameters]] = {
    "ordinary": RigParameters(),
    "slow drive, 2 Hz": RigParameters(torque_bandwidth_hz=2.0),
    "very slow drive, 0.7 Hz": RigParameters(torque_bandwidth_hz=0.7),
    "quick drive, 30 Hz, more friction": RigParameters(torque_bandwidth_hz=30.0, coulomb_n=15.0, viscous_n_s_m=12.0),
    "heavy handle, 8 kg": RigParameters(handle_mass_kg=8.0),
    "heavy drum, 20 kg": RigParameters(inertia_kg=20.0),
    "soft cable, 6 N/mm": RigParameters(cable_stiffness_n_m=6_000.0),
    "much friction, 30 N": RigParameters(coulomb_n=30.0, viscous_n_s_m=40.0),
    "no friction": RigParameters(coulomb_n=0.0, viscous_n_s_m=0.0),
    "slow ramp, 150 N/s": RigParameters(max_ramp_n_per_s=150.0),
    "steep ramp, 6 kN/s": RigParameters(max_ramp_n_per_s=6_000.0),
    "very steep ramp, 12 kN/s": RigParameters(max_ramp_n_per_s=12_000.0),
}
"""Rigs of which the model of the routine holds, and some of which it holds less."""
FIGURES: Final = ("ramp", "delay", "bandwidth", "Coulomb", "viscous")


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of one figure of one rig, in stated standard deviations; one for each time that it was told.

    Attributes:
        z: the errors.
        deviation: stated standard deviation as a share of the truth, or in its unit where that is 0; median.
        asked: how often it was asked for.
    """

    z: tuple[float, ...]
    deviation: float
    asked: int

    def __str__(self) -> str:
        """Within two deviations, of those told."""
        if not self.z:
            return "not told"
        within = sum(abs(one) <= 2.0 for one in self.z)
        told = "" if len(self.z) == self.asked else f", told {len(self.z)} of {self.asked}"
        return f"{within} of {len(self.z)} (worst {max(map(abs, self.z)):.1f}; ± {self.deviation:.1%}{told})"


def simulated(parameters: RigParameters, sensors: SensorParameters | None = None, seed: int = 1) -> SimulatedRig:
    """A simulated rig with nobody but a hand at it.

    Args:
        parameters: the rig.
        sensors: its sensors; None: ordinary ones.
        seed: of their noise.
    """
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(2)]
    hand = draw_lifter(exercise("row"), person_rng(11, 0))
    return SimulatedRig(
        Plant(parameters, hand, streams[0]),
        Sensors(sensors or SensorParameters(), cables=parameters.n_cables, rng=streams[1]),
        RigFirmware(limits_of(parameters), boot_id="boot-0001"),
        frame_samples=5,
        ready_after_s=None,
    )


def figures(found: CableIdentification, truth: RigParameters) -> dict[str, tuple[Estimate | None, float]]:
    """What was found and what is true, in the order of `FIGURES`.

    Args:
        found: what was found for one cable.
        truth: the rig.
    """
    delay_s = 1.0 / (2.0 * np.pi * truth.torque_bandwidth_hz)
    pairs = (
        (found.ramp_n_per_s, truth.max_ramp_n_per_s),
        (found.lag_s, delay_s),
        (found.bandwidth_hz, truth.torque_bandwidth_hz),
        (found.coulomb_n, truth.coulomb_n + truth.coulomb_share * LIGHT_SHARE * truth.max_load_n),
        (found.viscous_n_s_m, truth.viscous_n_s_m),
    )
    return dict(zip(FIGURES, pairs, strict=True))


def errors(job: tuple[RigParameters, Sequence[int]]) -> dict[str, Errors]:
    """The errors of every figure of one rig over some seeds.

    Args:
        job: the rig, and seeds of the sensors' noise.
    """
    truth, seeds = job
    runs = [figures(identify(SimulatedAccess(simulated(truth, seed=seed)))[0], truth) for seed in seeds]
    found = {}
    for name in FIGURES:
        told = [(estimate, true) for estimate, true in (run[name] for run in runs) if estimate is not None]
        found[name] = Errors(
            z=tuple((estimate.value - true) / estimate.sd for estimate, true in told),
            deviation=float(np.median([estimate.sd / (true or 1.0) for estimate, true in told])) if told else 0.0,
            asked=len(runs),
        )
    return found


def table(found: Mapping[str, Mapping[str, Errors]]) -> str:
    """The table of the documentation.

    Args:
        found: rig -> figure -> errors.
    """
    lines = [f"| rig | {' | '.join(FIGURES)} |", "|---" * (len(FIGURES) + 1) + "|"]
    lines += [f"| {name} | " + " | ".join(str(row[k]) for k in FIGURES) + " |" for name, row in found.items()]
    return "\n".join(lines).replace("%", " %") + "\n"


def main() -> None:
    """Run and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help=f"write the table in {PAGE}")
    parser.add_argument("--seeds", type=int, default=SEEDS, help="identifications of each rig")
    add_options(parser)
    arguments = parser.parse_args()
    with shared_out(arguments, "identified rigs") as mapper:
        rows = mapper(errors, [(truth, range(arguments.seeds)) for truth in RIGS.values()])
        text = table(dict(zip(RIGS, rows, strict=True)))
    sys.stdout.write(text)
    if arguments.write:
        before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
        PAGE.write_text(before + BEGIN + text + END + rest.partition(END)[2], encoding="utf-8")


if __name__ == "__main__":
    # By its own name, so that other processes find what they are to run.
    from campaigns.fits.identification_coverage import main as fit_by_name

    fit_by_name()
