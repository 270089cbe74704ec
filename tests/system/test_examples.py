"""Every example runs as its reader would run it, and shows what it says it shows."""

from __future__ import annotations

import ast
import asyncio
import json
import re
import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from ebbset.simulators.evaluation.labelled.labels import read_labels
from ebbset.simulators.evaluation.labelled.positions import read_series
from ebbset.simulators.evaluation.labelled.simulated import COLUMN_MAP
from tests.support.brokers import Mosquitto, free_port
from tests.support.operators import PATIENCE_S, Operator, arm_and_start, operator
from tests.support.served import hand_rig, serving, settings_for

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
EMBEDDED = ("embedded_loop", "embedded_asyncio", "embedded_thread")
HERE = (*EMBEDDED, "can_rig", "own_lifter", "own_policy", "observer", "rig_side", "labelled_sets", "search_policy")
FROM_THE_ROOT = (*EMBEDDED, "can_rig")
"""Examples of more than one file, which run as modules."""


def run(name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [
            sys.executable,
            *(["-m", f"examples.{name}"] if name in FROM_THE_ROOT else [f"{EXAMPLES}/{name}.py"]),
            *arguments,
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


@pytest.mark.parametrize("name", HERE)
def test_an_example_fits_on_a_page_or_two_and_says_how_to_run_it(name: str) -> None:
    text = (EXAMPLES / f"{name}.py").read_text()
    assert len(text.splitlines()) < 200
    command = f"python -m examples.{name}" if name in FROM_THE_ROOT else f"python examples/{name}.py"
    assert command in text.split('"""')[1]


def own_lines(path: Path) -> list[str]:
    """What an integrator has to write: every line but blank ones, comments and docstrings. Imports count."""
    tree = ast.parse(path.read_text())
    words: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0]
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                words |= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
    lines = enumerate(path.read_text().splitlines(), start=1)
    return [line for number, line in lines if number not in words and line.strip() and not line.strip().startswith("#")]


@pytest.mark.parametrize("name", EMBEDDED)
def test_a_controller_is_embedded_in_40_lines_without_mqtt(name: str) -> None:
    path = EXAMPLES / f"{name}.py"
    assert len(own_lines(path)) <= 40
    code = f"import sys, examples.{name}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    loaded = set(done.stdout.split())
    assert "ebbset.controller.regulation.set_controller" in loaded
    assert not loaded & {"aiomqtt", "paho", "numpy", "ebbset.controller.link", "ebbset.simulators", "ebbset.rig"}
    ran = run(name)
    assert ran.returncode == 0, ran.stderr
    assert "The lifter stalled with no prescribed drop left." in ran.stdout


def test_a_set_in_ones_own_loop_drops_as_prescribed() -> None:
    lines = run("embedded_loop").stdout.splitlines()
    drops = [float(line.split()[3]) for line in lines if " s  drop " in line]
    # 40 kg less a quarter twice, each rounded down to 0.1 N; standard gravity 9.80665 m/s2 (ISO 80000-4).
    assert drops == pytest.approx([40 * 9.80665 * 0.75, 40 * 9.80665 * 0.75**2], abs=0.21)
    assert re.search(r"[1-9]\d* repetitions, 2 drops: ", lines[-1])


def test_a_policy_from_outside_the_package_passes_the_checks_and_runs_a_set() -> None:
    done = run("own_policy")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0] == "checks: 0 findings"
    drops = [tuple(float(v) for v in re.findall(r"(\d+) ->? ?(\d+)?", line)[0]) for line in lines if line[:4] == "drop"]
    parts = [1 - after / before for before, after in drops]
    assert parts == pytest.approx([0.3 * 0.6**k for k in range(len(parts))], abs=0.005)
    assert len(parts) >= 1
    assert lines[-1].startswith("simulated: ")


def test_a_search_is_judged_on_families_that_it_did_not_see() -> None:
    small = ("--persons", "1", "--judged", "2", "--generations", "0", "--members", "5")
    done = run("search_policy", "--train", "compiled_muscle", "--judge", "velocity_line", *small)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("searched 5 policies on 1 sets each: mean reward ")
    assert lines[1].endswith("0 findings of the checker")
    number = r"([+-]?\d+\.\d\d)"
    people, found, fifth, apart, low, high = re.findall(
        rf"velocity_line +(\d+) +{number} +{number} +{number} \({number} to {number}\)", done.stdout
    )[0]
    assert people == "2"
    assert float(found) - float(fifth) == pytest.approx(float(apart), abs=0.011)
    assert float(low) <= float(apart) <= float(high)
    told = "beats" if float(low) > 0 else "is worse than" if float(high) < 0 else "is not shown to differ from"
    assert lines[-2] == f"simulated: the policy found {told} a fixed fifth on families left out"
    outside = run("search_policy", "--found", "0.2", "1", "9")
    assert outside.returncode == 2
    assert "--found: drop policy shrinking_drop: drop.parameters.gain is 9.0; allowed: a number from 0 to 3" in (
        outside.stderr
    )
    seen = run("search_policy", "--train", "compiled_muscle", "--judge", "compiled_muscle")
    assert seen.returncode == 2
    assert "--judge names compiled_muscle, on which the search trains; allowed: other families" in seen.stderr


def test_a_lifter_from_outside_the_package_passes_the_checks_and_fits_in_60_lines() -> None:
    lines = (EXAMPLES / "own_lifter.py").read_text().splitlines()
    assert sum(bool(line.strip()) for line in lines) <= 60
    done = run("own_lifter")
    assert done.returncode == 0, done.stderr
    first, last = done.stdout.splitlines()
    assert first == "checks: 0 findings"
    # Drawn from 200 to 900 N in the middle of the range, a fifth less at its weak end.
    one_rm = float(re.findall(r"1RM (\d+) N", last)[0])
    assert 0.7 * 200 < one_rm < 900


def test_a_laboratorys_two_files_are_written_and_say_that_nobody_lifted(tmp_path: Path) -> None:
    done = run("labelled_sets", str(tmp_path), "1")
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("1 simulated sets. Nobody lifted.\n")
    assert {one.source.value for one in read_labels(tmp_path / "labels.csv")} == {"simulator"}
    [series] = read_series(tmp_path / "positions.csv", COLUMN_MAP)
    assert series.rate_hz == pytest.approx(100.0, rel=0.01)


@pytest.mark.broker
async def test_an_observer_follows_a_set_and_commands_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "watched"
    async with (
        serving(settings_for(broker, tmp_path, rig)),
        hand_rig(broker.port, rig),
        operator(broker.port, rig) as person,
    ):
        watching = await asyncio.create_subprocess_exec(
            sys.executable,
            str(EXAMPLES / "observer.py"),
            rig,
            "127.0.0.1",
            str(broker.port),
            stdout=asyncio.subprocess.PIPE,
        )
        assert watching.stdout is not None
        assert b"watching" in await asyncio.wait_for(watching.stdout.readline(), PATIENCE_S)
        await arm_and_start(person)
        await person.until(lambda: person.of("ctl/repetition"))
        await person.ask("stop")
        told = (await asyncio.wait_for(watching.stdout.read(), PATIENCE_S)).decode()
        assert await watching.wait() == 0
        [result] = person.of("ctl/result")
    order = ["-- armed", "arm (armed)", "-- working", "load (started)", "repetition 1 completed at 400 N", "set over ("]
    found = [told.find(words) for words in order]
    assert -1 not in found, told
    assert "set over (stop_requested)" in told
    assert f"{result['repetitions']} repetitions, 0 drops" in told


def _refused(person: Operator, refusal: str) -> bool:
    return any(ack["refusal"] == refusal for ack in person.of("rig/ack"))


@pytest.mark.broker
async def test_the_rig_side_in_one_page_keeps_the_contract(broker: Mosquitto, tmp_path: Path) -> None:
    rig = "one-page"
    process = await asyncio.create_subprocess_exec(
        sys.executable, str(EXAMPLES / "rig_side.py"), rig, "127.0.0.1", str(broker.port)
    )
    try:
        async with serving(settings_for(broker, tmp_path, rig)), operator(broker.port, rig) as person:
            await arm_and_start(person, load={"start_n": 300.0, "floor_n": 100.0, "ramp_n_per_s": 500.0})
            nonce = person.of("ctl/state")[-1]["nonce"]
            await person.until(lambda: person.of("rig/frame")[-1]["applied_n"] == [300.0])
            # Somebody who is not the controller cannot move it: foreign nonce, old sequence, too much.
            command = {"version": 1, "kind": "load", "target_n": [500.0], "ramp_n_per_s": 400.0, "lease_ms": 600}
            attacks = {
                "foreign_nonce": {"nonce": "somebody-else", "seq": 9_000_001},
                "repeated_sequence": {"nonce": nonce, "seq": 0},
                "stale_citation": {"nonce": nonce, "seq": 9_000_003, "cites_t_us": 0},
            }
            for refusal, members in attacks.items():
                cited = person.of("rig/frame")[-1]["t_us"][-1]
                await person.publish("ctl/command", json.dumps({**command, "cites_t_us": cited, **members}))
                await person.until(partial(_refused, person, refusal))
            await person.until_state("working", "ended")
            await person.ask("stop")
            await person.until_state("ended")
            await person.until(lambda: person.of("rig/frame")[-1]["applied_n"] == [0.0])
            assert person.of("rig/identity")[-1]["simulated"], "this example has no motor yet"
            for topic in ("rig/identity", "rig/frame", "rig/ack"):
                schema = json.loads((ROOT / "contract" / f"{topic.replace('/', '_')}.schema.json").read_text())
                validator = Draft202012Validator(schema)
                assert person.of(topic)
                for message in person.of(topic):
                    validator.validate(message)
        assert max(f["applied_n"][0] for f in person.of("rig/frame")) <= 300.0
    finally:
        process.kill()
        await process.wait()


def test_without_a_broker_there_is_one_line_and_no_traceback() -> None:
    port = str(free_port())
    done = run("observer", "bench", "127.0.0.1", port)
    assert done.returncode != 0
    assert done.stderr.count("\n") == 1
    assert f"broker 127.0.0.1:{port}: " in done.stderr
    assert "usage:" in run("observer").stderr


def test_a_rig_without_a_broker_says_so_once_and_goes_on_until_it_is_switched_off() -> None:
    port = str(free_port())
    process = subprocess.Popen(
        [sys.executable, "-u", str(EXAMPLES / "rig_side.py"), "bench", "127.0.0.1", port],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout is not None
    assert "not_connected" in process.stdout.readline()
    process.terminate()
    left = process.communicate(timeout=PATIENCE_S)[0]
    assert process.returncode == 0
    assert "Traceback" not in left
    assert "not_connected" not in left
    assert "usage:" in run("rig_side").stderr
