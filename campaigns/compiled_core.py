"""The controller's core compiled by mypyc: the same source in a tree of its own, held against the interpreted one.

``python -m campaigns.compiled_core build/compiled`` copies the package there, compiles the modules that handle samples
(it needs a C compiler and some minutes), and replays the kept recordings with both. What ran with
``PYTHONPATH=build/compiled`` ran with the compiled core. docs/computing.md has what came out.
"""

from __future__ import annotations

import argparse
import lzma
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[1]
RECORDINGS: Final = ROOT / "tests" / "data" / "recordings"
MODULES: Final[dict[str, tuple[str, ...]]] = {
    "detection": (
        "kinematic_filter", "stall", "segmenter", "ascent", "stall_rule", "release",
        "range_of_motion", "failed_start", "mean_force_check", "sensor_check", "sides",
    ),
    "detection/evidence": ("ascent_evidence", "stall_evidence", "habit_evidence", "usual_velocities"),
    "guard": ("guard", "telemetry"),
    "messages": ("soundness",),
    "regulation": (
        "bout", "cable", "rig_facts", "rig_word", "set_context", "regulator", "armed_set", "set_controller",
        "stop_rules",
    ),
    "estimation": ("capacity", "capacity_filter", "covariance", "repetitions_in_reserve", "effort"),
}  # fmt: skip
"""What is compiled, by sub-package of the controller: what works for every frame."""
SETUP: Final = """
import sys
from mypyc.build import mypycify
from setuptools import setup
setup(name="compiled", packages=[], ext_modules=mypycify(["--config-file", "mypy.ini", *sys.argv[3:]], opt_level="3"),
      script_args=sys.argv[1:3])
"""
CONFIGURATION: Final = "[mypy]\nstrict = True\nplugins = pydantic.mypy\nignore_missing_imports = True\n"


def build(folder: Path) -> None:
    """Copy the package into a folder and compile the core there.

    Args:
        folder: made anew.

    Raises:
        SystemExit: it does not compile; shows the end of what was said.
    """
    import ebbset

    shutil.rmtree(folder, ignore_errors=True)
    package = Path(str(ebbset.__file__)).parent
    shutil.copytree(package, folder / "ebbset", ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "setup.py").write_text(SETUP, encoding="utf-8")
    (folder / "mypy.ini").write_text(CONFIGURATION, encoding="utf-8")
    files = [f"ebbset/controller/{part}/{name}.py" for part, names in MODULES.items() for name in names]
    command = [sys.executable, "setup.py", "build_ext", "--inplace", *files]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"the core does not compile:\n{(done.stdout + done.stderr)[-2000:]}")


def replayed() -> list[str]:
    """Replay the kept recordings here and time the core; one line each."""
    from benchmarks import bench_core
    from ebbset.controller.recording.replay import replay_file
    from ebbset.controller.regulation import regulator
    from ebbset.controller.service.policy_registry import load_policies

    lines = [f"core from {Path(regulator.__file__).suffix}"]
    with tempfile.TemporaryDirectory() as scratch:
        for kept in sorted(RECORDINGS.iterdir()):
            path = Path(scratch) / kept.stem
            path.write_bytes(lzma.decompress(kept.read_bytes()))
            report = replay_file(path, load_policies())
            lines.append(f"{kept.stem}: {report.verdict.value}")
    return [*lines, *(claim.line() for claim in bench_core.main())]


def main() -> int:
    """Build, replay with both, and say what came out; 1 when a recording does not replay to the same bits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", help="where the compiled tree goes; it is made anew")
    parser.add_argument("--built", action="store_true", help="take the tree that is there")
    arguments = parser.parse_args()
    if arguments.folder is None:
        sys.stdout.write("\n".join(replayed()) + "\n")
        return 0
    folder = arguments.folder.resolve()
    if not arguments.built:
        build(folder)
    told = []
    for path in ("", str(folder)):
        done = subprocess.run(
            [sys.executable, "-m", "campaigns.compiled_core"],
            cwd=ROOT, env=os.environ | {"PYTHONPATH": path}, stdout=subprocess.PIPE, text=True, check=True,
        )  # fmt: skip
        sys.stdout.write(done.stdout)
        told.append(done.stdout.splitlines())
    verdicts = [line for lines in told for line in lines if ".mcap: " in line]
    compiled = told[1][0].endswith(".so")
    return 0 if compiled and verdicts and all(line.endswith(": same") for line in verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
