"""Reference traces of 3CC-r made by somebody else's code: the ``CumulativeFatigue`` class of the myosuite package.

myosuite (Apache-2.0, the MyoSuite authors) is a heavy package, but this class stands in one file that needs numpy and
mujoco only. ``fetch`` unpacks the published wheel without its dependencies into a folder, ``reference_trace`` runs that
class, and ``python -m ebbset.simulators.validation.reference_3ccr --write`` stores the traces in
``data/reference_3ccr.csv`` so that ``ebbset validate`` can compare without a network. The test suite fetches and runs
the real thing.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
import zipfile
from importlib import resources
from pathlib import Path
from types import ModuleType
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.models.physiology.fatigue import three_compartment_rates

FloatArray = npt.NDArray[np.float64]

MYOSUITE: Final = "3.0.0"
ROWS: Final = ("Shoulder", "Knee", "Elbow", "Default")
"""Rows of myosuite's table of constants that are compared."""
SCHEDULE: Final = (
    (0.7, 20.0),
    (0.0, 30.0),
    (0.4, 60.0),
    (0.0, 15.0),
    (1.0, 20.0),
    (0.2, 40.0),
    (0.0, 90.0),
    (0.55, 45.0),
)
"""Targets (share of maximum) and how long each is asked for, s: held, rested, beyond exhaustion."""
_STEP_S: Final = 0.01
_EVERY: Final = 100


def fetch(folder: Path) -> Path:
    """Unpack myosuite's wheel, without dependencies, under ``folder`` if it is not there yet.

    Raises:
        RuntimeError: the package could not be downloaded.
    """
    target = folder / f"myosuite-{MYOSUITE}"
    if not (target / "myosuite" / "core" / "muscle_conditions.py").exists():
        folder.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
        command += ["--dest", str(folder), f"myosuite=={MYOSUITE}"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise RuntimeError(f"myosuite {MYOSUITE} could not be downloaded: {done.stderr.strip()[-300:]}")
        with zipfile.ZipFile(next(folder.glob(f"myosuite-{MYOSUITE}-*.whl"))) as wheel:
            wheel.extract("myosuite/core/muscle_conditions.py", target)
            for name in wheel.namelist():
                if "LICENSE" in name:
                    wheel.extract(name, target)
    return target


def load(package: Path) -> ModuleType:
    """The module with ``CumulativeFatigue``, executed by itself from the unpacked wheel.

    Raises:
        RuntimeError: the module cannot be loaded.
    """
    path = package / "myosuite" / "core" / "muscle_conditions.py"
    spec = importlib.util.spec_from_file_location("myosuite_muscle_conditions", path)
    if spec is None or spec.loader is None:
        raise RuntimeError(f"{path} cannot be loaded as a Python module")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def targets() -> FloatArray:
    """Target of every step of the schedule."""
    return np.concatenate([np.full(round(seconds / _STEP_S), level) for level, seconds in SCHEDULE])


def reference_trace(module: ModuleType) -> tuple[FloatArray, FloatArray]:
    """Run the foreign class through the schedule.

    Returns:
        constants, shape (rows, 3): F, R, r; states, shape (seconds, rows, 2): active and fatigued share each second.
    """
    import mujoco

    actuators = "".join(
        f'<general name="m{i}" joint="j" dyntype="muscle" dynprm="0.01 0.04"/>' for i in range(len(ROWS))
    )
    model = mujoco.MjModel.from_xml_string(
        '<mujoco><worldbody><body><joint name="j"/><geom size="0.1"/></body></worldbody>'
        f"<actuator>{actuators}</actuator></mujoco>"
    )
    table, default = module.MUSCLE_FATIGUE_PARAMS, module.MUSCLE_FATIGUE_PARAMS["Default"]
    constants = np.array([[table[row].get(k, default[k]) for k in ("F", "R", "r")] for row in ROWS])

    class Seedless(module.CumulativeFatigue):  # type: ignore[misc, name-defined]
        """The foreign class without its generator for random resets, which would need the rest of its package."""

        def seed(self, seed: int | None = None) -> None:
            """Take no seed: nothing here is random."""

    foreign = Seedless(model, use_uniform_params=True)
    foreign.set_FatigueCoefficient(constants[:, 0])
    foreign.set_RecoveryCoefficient(constants[:, 1])
    foreign.set_RecoveryMultiplier(constants[:, 2])
    states = []
    for k, level in enumerate(targets(), start=1):
        active, _, fatigued = foreign.compute_act(np.full(len(ROWS), level), dt=_STEP_S)
        if k % _EVERY == 0:
            states.append(np.stack([active, fatigued], axis=1).copy())
    return constants, np.array(states)


def _rates(
    active: float, fatigued: float, level: float, fatigue: float, recovery: float, rest: float
) -> tuple[float, float]:
    rates = three_compartment_rates(active, fatigued, 0.0, level, fatigue, recovery, rest, 0.0, 0.0, 50.0, 50.0, 1.0)
    return rates[0], rates[1]


def own_trace(constants: FloatArray) -> FloatArray:
    """The same schedule through ``three_compartment_rates``, explicit midpoint, same shape as the reference."""
    schedule = targets()
    states = np.zeros((schedule.size // _EVERY, len(constants), 2))
    for row, (fatigue, recovery, rest) in enumerate(constants):
        active, fatigued = 0.0, 0.0
        for k, level in enumerate(schedule, start=1):
            a, f = _rates(active, fatigued, level, fatigue, recovery, rest)
            a, f = _rates(active + 0.5 * _STEP_S * a, fatigued + 0.5 * _STEP_S * f, level, fatigue, recovery, rest)
            active, fatigued = active + _STEP_S * a, fatigued + _STEP_S * f
            if k % _EVERY == 0:
                states[k // _EVERY - 1, row] = active, fatigued
    return states


def stored_trace() -> tuple[FloatArray, FloatArray]:
    """Constants and states that ``--write`` stored, in the shapes of ``reference_trace``."""
    path = resources.files("ebbset.simulators.validation").joinpath("data/reference_3ccr.csv")
    with path.open(encoding="utf-8") as file:
        table = np.loadtxt(file, delimiter=",", comments="#")
    return table[:3].reshape(3, -1, 2)[:, :, 0].T, table[3:].reshape(table.shape[0] - 3, -1, 2)


def main(argv: list[str] | None = None) -> int:
    """Fetch the package, run it and store the traces."""
    parser = argparse.ArgumentParser(description="Make reference traces of 3CC-r with the myosuite package.")
    parser.add_argument(
        "--write", action="store_true", required=True, help="replace simulators/validation/data/reference_3ccr.csv"
    )
    parser.add_argument("--folder", type=Path, default=Path("build") / "reference", help="where the wheel is unpacked")
    options = parser.parse_args(argv)
    constants, states = reference_trace(load(fetch(options.folder)))
    rows = np.vstack([np.repeat(constants.T, 2, axis=1), states.reshape(states.shape[0], -1)])
    header = (
        f"3CC-r traces made with myosuite {MYOSUITE} (Apache-2.0, the MyoSuite authors), core/muscle_conditions.py\n"
        f"rows 1-3: F 1/s, R 1/s, r of {', '.join(ROWS)} (each twice); then one row a second: active, fatigued of each"
    )
    path = Path(__file__).resolve().parent / "data" / "reference_3ccr.csv"
    np.savetxt(path, rows, fmt="%.10g", delimiter=",", header=header)
    return 0


if __name__ == "__main__":
    sys.exit(main())
