"""Hostile input, short form: everything that reads, given valid, nearly valid and any other bytes.

The long form is ``python -m campaigns.fuzz`` (a million messages, then the coverage-guided fuzzer). Recordings cut at
every byte and with any byte changed are in `test_writer`.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

ROOT = Path(__file__).parents[2]
# The harness is a program beside the package, not part of it.
sys.path.insert(0, str(ROOT))

from campaigns.fuzz.arena import Arena  # noqa: E402
from campaigns.fuzz.choices import RandomChoices  # noqa: E402
from campaigns.fuzz.targets import TARGETS, BrokenPromiseError, command, seeds, session, throw, wire  # noqa: E402
from ebbset.controller.messages.actions import SendLoad  # noqa: E402
from ebbset.controller.messages.events import Tick  # noqa: E402


@pytest.mark.parametrize("name", TARGETS)
def test_every_seed_passes_its_target(name: str) -> None:
    assert seeds(name)
    for seed in seeds(name):
        TARGETS[name](seed)


@pytest.mark.parametrize("name", TARGETS)
def test_any_bytes_raise_nothing_but_the_documented_error(name: str) -> None:
    @given(st.binary(max_size=1_500))
    @settings(max_examples=120, deadline=None)
    def holds(data: bytes) -> None:
        TARGETS[name](data)

    holds()


@pytest.mark.parametrize("name", ["wire", "prescription", "profile", "recording"])
def test_seeds_with_some_bytes_changed_raise_nothing_either(name: str) -> None:
    @given(
        st.sampled_from(seeds(name)),
        st.lists(st.tuples(st.integers(0, 2**16), st.integers(0, 255)), max_size=6),
        st.integers(0, 2**16),
    )
    @settings(max_examples=200, deadline=None)
    def holds(seed: bytes, changes: list[tuple[int, int]], cut: int) -> None:
        data = bytearray(seed)
        for at, value in changes:
            data[at % len(data)] = value
        TARGETS[name](bytes(data[: cut % (2 * len(data)) or len(data)]))

    holds()


@pytest.mark.parametrize(
    "text", ["1e400", "9" * 5_000, "NaN", "-Infinity", '"\\ud800"', "[" * 60_000, "{}" * 3, "\ufeff{}"]
)
def test_numbers_texts_and_nesting_that_programs_trip_over(text: str) -> None:
    for topic in range(12):
        wire(bytes([topic]) + text.encode("utf-8", "surrogatepass"))
        wire(bytes([topic]) + b'{"version": ' + text.encode("utf-8", "surrogatepass") + b"}")


@given(st.integers(0, 2**32 - 1))
@example(2)
@example(222_587)  # a frame without the force that the rig announced: no good telemetry, for the monitor neither
@settings(max_examples=6, deadline=None)
def test_a_storm_of_messages_moves_no_load_up_and_sets_go_on_in_it(seed: int) -> None:
    choices = RandomChoices(np.random.default_rng(seed))
    arena = Arena()
    while arena.messages < 4_000:
        throw(arena, choices)
    assert arena.loads > 20, "the storm drowned every set, so it tried nothing"
    assert arena.left_waiting() < 100


def test_a_load_that_rises_would_be_noticed() -> None:
    """The harness on itself: a controller that raises the load once, in the middle of a storm."""
    arena = Arena()
    choices = RandomChoices(np.random.default_rng(1))
    while arena.target_n == 0.0:
        throw(arena, choices)
    last = SendLoad(
        nonce=arena.nonce or "",
        seq=10_000,
        target_n=(arena.target_n + 1.0,),
        ramp_n_per_s=300.0,
        lease_ms=600,
        cites_t_us=arena.rig_us,
    )
    arena.monitor.step(Tick(now_us=arena.now_us), (last,))
    with pytest.raises(BrokenPromiseError):
        throw(arena, choices)


def test_more_sets_do_not_mean_more_memory() -> None:
    """One controller through many sets: what it keeps does not grow with them."""
    import gc
    import tracemalloc

    arena = Arena()
    choices = RandomChoices(np.random.default_rng(7))

    def throw_until(messages: int) -> int:
        while arena.messages < messages:
            throw(arena, choices)
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    early = throw_until(3_000)
    late = throw_until(12_000)
    tracemalloc.stop()
    assert late - early < 300_000, f"{late - early} bytes more after four times the messages"


def test_the_targets_steered_by_bytes_do_something() -> None:
    quiet = session(b"")
    for data in (bytes(range(256)), b"\x00" * 100, b"\xff" * 100):
        assert session(data) > quiet
    assert command(b"") == 0
    assert max(command(seed) for seed in seeds("command")) > 0


@pytest.mark.skipif(importlib.util.find_spec("atheris") is None, reason="needs atheris (the long form installs it)")
def test_the_coverage_guided_fuzzer_runs_and_finds_nothing_at_once() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "campaigns.fuzz.guided", "wire", "-runs=2000", "-max_total_time=20"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-2_000:]
    assert "Done" in done.stderr
