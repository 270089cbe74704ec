"""Reference traces of 3CC-r from an independent implementation, ``CumulativeFatigue`` of the myosuite package.

myosuite (Apache-2.0, the MyoSuite authors) is a heavy package, but this class is in one file that needs only numpy and
mujoco. ``fetch`` unpacks the published wheel without its dependencies into a folder, ``reference_trace`` runs the
class, and ``python -m campaigns.references.myosuite_traces --write`` stores the traces in
``simulators/validation/data/reference_3ccr.csv``. The test suite fetches and runs the original class.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
import zipfile
from pathlib import Path
from types import ModuleType

import numpy as np

from ebbset.simulators.validation.reference_3ccr import EVERY, MYOSUITE, ROWS, STEP_S, FloatArray, targets


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
    """The module with ``CumulativeFatigue``, loaded on its own from the unpacked wheel.

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


def reference_trace(module: ModuleType) -> tuple[FloatArray, FloatArray]:
    """Run the original class through the schedule.

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
        """The original class without its generator for random resets, which needs the rest of its package."""

        def seed(self, seed: int | None = None) -> None:
            """Take no seed: nothing here is random."""

    foreign = Seedless(model, use_uniform_params=True)
    foreign.set_FatigueCoefficient(constants[:, 0])
    foreign.set_RecoveryCoefficient(constants[:, 1])
    foreign.set_RecoveryMultiplier(constants[:, 2])
    states = []
    for k, level in enumerate(targets(), start=1):
        active, _, fatigued = foreign.compute_act(np.full(len(ROWS), level), dt=STEP_S)
        if k % EVERY == 0:
            states.append(np.stack([active, fatigued], axis=1).copy())
    return constants, np.array(states)


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
    path = Path(__file__).resolve().parents[2] / "simulators" / "validation" / "data" / "reference_3ccr.csv"
    np.savetxt(path, rows, fmt="%.10g", delimiter=",", header=header)
    return 0


if __name__ == "__main__":
    sys.exit(main())
