"""The compiled core, built as an installer builds it and held against the interpreted one of the same source.

``python -m campaigns.compiled_core build/compiled`` builds the wheel with ``EBBSET_COMPILED=1`` (a C compiler and some
minutes), unpacks it there, and lets both cores replay the kept recordings, simulate whole sets and judge detectors:
events, outputs and findings must be the same, bit for bit. Then the tests of the core run with the compiled one.
``--built`` takes the tree that is there; ``--no-tests`` leaves the tests out. What ran with
``PYTHONPATH=build/compiled`` ran with the compiled core.
docs/computing.md has what came out.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import lzma
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[1]
RECORDINGS: Final = ROOT / "tests" / "data" / "recordings"
SIMULATED: Final = (("bench_press", 4), ("shoulder_press", 11), ("row", 7), ("curl", 12))
"""Exercises and persons of the simulated sets."""
JUDGED, JUDGED_SEED = 6, 1_700
PARTS: Final = ("detection", "embedding", "estimation", "guard", "messages", "policies", "recording", "regulation")
TESTS: Final = (
    *(f"tests/controller/{part}" for part in PARTS),
    "tests/simulators/test_closed_loop.py",
    "tests/simulators/test_virtual_rig.py",
)
"""Tests whose subject is compiled, or stands right on it."""
NOT_FOR_COMPILED: Final = {
    "guard/test_guard.py::test_the_guard_shares_only_message_types_with_the_rest_of_the_controller": "reads the source",
    "guard/test_guard.py::test_nothing_that_the_guard_keeps_grows_with_the_number_of_sets": "reads __slots__",
    "regulation/test_rig_word.py": "gives functions what is no rig and no set, which compiled ones refuse",
    "regulation/test_arming_answer.py::test_what_the_guard_refuses_is_answered_as_not_armed_by_it": "replaces a method",
    "regulation/test_arming_answer.py::test_a_start_whose_load_the_guard_refuses_is_answered_as_refused_and_leaves_no_"
    "state_that_is_over": "replaces a method",
    "regulation/test_regulator_more.py::test_nothing_that_was_sent_with_a_refused_command_or_after_it_"
    "reaches_the_rig": "replaces a method",
}
"""Those of them that look into the interpreted core or put something else into it, and how."""


def sources(folder: Path) -> None:
    """Copy what a build of the package needs into a folder, so that nothing is left in this one.

    Args:
        folder: made by this.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for room in project["tool"]["setuptools"]["package-dir"].values():
        shutil.copytree(ROOT / room, folder / room, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "setup.py", project["project"]["readme"], *project["project"]["license-files"]):
        shutil.copy(ROOT / name, folder / name)


def _only(setup: Path, modules: Mapping[str, Sequence[str]]) -> None:
    """Have a copy of setup.py compile these modules alone.

    Args:
        setup: the copy.
        modules: by folder, as there.
    """
    text = setup.read_text(encoding="utf-8")
    for node in ast.parse(text).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "MODULES":
            named = ast.literal_eval(node.value)
            unknown = [name for part, names in modules.items() for name in names if name not in named.get(part, ())]
            if unknown:
                raise ValueError(f"modules holds {unknown}; allowed: what setup.py compiles")
            old = ast.get_source_segment(text, node)
            setup.write_text(text.replace(str(old), f"MODULES = {dict(modules)!r}"), encoding="utf-8")


def build(folder: Path, modules: Mapping[str, Sequence[str]] | None = None) -> None:
    """Build the wheel with its core compiled and unpack it.

    Args:
        folder: made anew.
        modules: these of those that setup.py names; all of them when None.

    Raises:
        SystemExit: it does not compile; shows the end of what was said.
    """
    shutil.rmtree(folder, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix="ebbset-sources-") as name:
        copy = Path(name) / "sources"
        sources(copy)
        if modules is not None:
            _only(copy / "setup.py", modules)
        # The environment of this program has what the build needs.
        command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
        done = subprocess.run(
            [*command, "--wheel-dir", name, str(copy)],
            env=os.environ | {"EBBSET_COMPILED": "1"}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode != 0:
            raise SystemExit(f"the core does not compile:\n{(done.stdout + done.stderr)[-2000:]}")
        (wheel,) = Path(name).glob("*.whl")
        with zipfile.ZipFile(wheel) as archive:
            archive.extractall(folder)


def simulated(exercise_name: str, person: int) -> str:
    """Run one simulated set; a digest of everything that was handled and of what it led to.

    Args:
        exercise_name: which.
        person: number in the simulated population.
    """
    from ebbset.controller.messages.codec import to_json
    from ebbset.models.contract.prescription import Prescription
    from ebbset.simulators.closed_loop.closed_loop import run_set
    from ebbset.simulators.lifter.exercises import exercise
    from ebbset.simulators.plant.rig_parameters import RigParameters
    from ebbset.simulators.population.population import draw_lifter, person_rng
    from ebbset.simulators.population.strength_test import one_rm_n

    rig = RigParameters()
    lifter = draw_lifter(exercise(exercise_name), person_rng(5, person), fatigue_model="3cc_r")
    one_rm = one_rm_n(lifter, rig)
    prescription = Prescription.model_validate(
        {"name": "Both", "exercise": exercise_name, "load": {"start_n": 0.75 * one_rm, "floor_n": 0.35 * one_rm}}
    )
    seen = hashlib.sha256()
    outputs_seen = 0

    def record(event: object, outputs: tuple[object, ...]) -> None:
        nonlocal outputs_seen
        outputs_seen += len(outputs)
        for value in (event, *outputs):
            seen.update(to_json(value))  # type: ignore[arg-type]

    outcome = run_set(prescription, lifter, rig, seed=person, recorder=record)
    if outcome.result is None or outcome.violations:
        raise SystemExit(f"{exercise_name} {person} ended as {outcome.result} with {outcome.violations}")
    return f"{outcome.result.reason.value}, {outputs_seen} outputs, sha256 {seen.hexdigest()[:16]}"


def judged() -> str:
    """Sets of known truth as `evaluate` judges them, with copies of the detector; a digest of what was found."""
    from ebbset.simulators.evaluation.evaluate import LEFT_OUT_OF_SHORT, set_job, set_jobs

    found = [set_job(job) for job in set_jobs((JUDGED_SEED,), JUDGED, LEFT_OUT_OF_SHORT)]
    # A detector is copied where a drop came while the lifter would still have tried.
    if not any(attempt.end_s < attempt.failed_s for one in found for attempt in one.item.attempts if attempt.stalled):
        raise SystemExit("no detector was copied; other sets must be judged")
    runs = [one.runs for one in found]
    return f"{JUDGED} sets judged, sha256 {hashlib.sha256(repr(runs).encode()).hexdigest()[:16]}"


def replayed() -> list[str]:
    """Replay the kept recordings with the core that is imported here; one line each."""
    from ebbset.controller.recording.replay import replay_file
    from ebbset.controller.service.policy_registry import load_policies

    lines = []
    with tempfile.TemporaryDirectory() as scratch:
        for kept in sorted(RECORDINGS.iterdir()):
            path = Path(scratch) / kept.stem
            path.write_bytes(lzma.decompress(kept.read_bytes()))
            report = replay_file(path, load_policies())
            lines.append(f"recording {kept.stem}: {report.verdict.value}, {report.outputs} outputs")
    return lines


def told() -> list[str]:
    """What the core that is imported here comes to: which it is, then one line for each recording and simulated set."""
    from ebbset.controller.recording.core_build import core_build
    from ebbset.controller.regulation import regulator

    imported = "interpreted" if Path(str(regulator.__file__)).suffix == ".py" else "compiled"
    if imported != core_build():
        raise SystemExit(f"core_build says {core_build()}, but what was imported is {imported}")
    simulations = [f"simulated {name} {person}: {simulated(name, person)}" for name, person in SIMULATED]
    return [f"core: {imported}", *replayed(), *simulations, judged()]


def compare(interpreted: list[str], compiled: list[str]) -> list[str]:
    """What is wrong with what the two cores told; empty when they did the same.

    Args:
        interpreted: lines of `told` without the compiled tree.
        compiled: lines with it.
    """
    wrong = [
        f"the {wanted} core was not run, but: {lines[:1]}"
        for wanted, lines in (("interpreted", interpreted), ("compiled", compiled))
        if lines[:1] != [f"core: {wanted}"]
    ]
    if len(interpreted) != len(compiled) or len(interpreted) < 2:
        wrong.append(f"{len(interpreted)} lines against {len(compiled)}; allowed: as many, and more than one")
    wrong += [
        f"interpreted: {one}; compiled: {other}"
        for one, other in zip(interpreted[1:], compiled[1:], strict=False)
        if one != other
    ]
    return wrong + [line for line in interpreted if line.startswith("recording ") and ": same, " not in line]


def run_both(folder: Path) -> tuple[list[str], list[str]]:
    """What both cores tell, each in a process of its own.

    Args:
        folder: the compiled tree.
    """
    both = [
        subprocess.run(
            [sys.executable, "-m", "campaigns.compiled_core"],
            cwd=ROOT, env=os.environ | {"PYTHONPATH": path}, stdout=subprocess.PIPE, text=True, check=True,
        ).stdout.splitlines()
        for path in ("", str(folder))
    ]  # fmt: skip
    return both[0], both[1]


def main() -> int:
    """Build, run both, compare, test; 1 when anything differs or fails."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?", help="where the compiled tree goes; it is made anew")
    parser.add_argument("--built", action="store_true", help="take the tree that is there")
    parser.add_argument("--no-tests", action="store_true", help="leave the tests out")
    arguments = parser.parse_args()
    if arguments.folder is None:
        sys.stdout.write("\n".join(told()) + "\n")
        return 0
    folder = arguments.folder.resolve()
    if not arguments.built:
        build(folder)
    interpreted, compiled = run_both(folder)
    wrong = compare(interpreted, compiled)
    sys.stdout.write("\n".join([*compiled, *wrong, f"both cores: {'not ' if wrong else ''}the same"]) + "\n")
    if wrong or arguments.no_tests:
        return 1 if wrong else 0
    left_out = [f"--deselect=tests/controller/{name}" for name in NOT_FOR_COMPILED]
    tested = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "2", *left_out, *TESTS],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": str(folder)}, check=False,
    )  # fmt: skip
    return 1 if tested.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
