"""Work on a Dask cluster over TCP: two workers against one, and the memory of whoever asks.

A comparison of two drop rules is run in turns on a cluster of one worker and on one of two. For the memory, workers
send rows that no physics is behind, so that twenty thousand sets take seconds; this end of the work is the same. Its
peak is read from /proc (proc(5)), so this runs on Linux only.
"""

from __future__ import annotations

import contextlib
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.claims import Claim

TURNS = 3
LIFTERS = 60
FEW, MANY = 1_000, 20_000
"""Sets; a lifter does two."""


def conditions() -> list[Any]:
    """Two drop rules."""
    from ebbset.coaching.compare import with_policy
    from ebbset.models.contract.prescription import Prescription

    base = Prescription.model_validate(
        {
            "name": "Benchmark",
            "exercise": "bench_press",
            "load": {"start_n": 100.0, "floor_n": 50.0},
            "stop": {"max_drops": 2},
        }
    )
    return [with_policy(base, f"fixed_fraction:fraction={part}") for part in (0.2, 0.3)]


def stand_in(job: Any) -> list[Any]:
    """Rows of a lifter's sets without the sets: random figures of the right size."""
    from ebbset.coaching.compare import DRAWS, MEASURES, Row

    rng = np.random.default_rng(job.person)
    return [
        Row(job.person, one.name, tuple(rng.random(len(MEASURES)).tolist()), "stop", rng.random(DRAWS))
        for one in job.conditions
    ]


def compared_on(address: str, function: Any, lifters: int) -> float:
    """Seconds that a comparison takes on a cluster that is there."""
    from ebbset.coaching.compare import Population, compared, jobs
    from ebbset.simulators.closed_loop.parallel import mapping

    found = conditions()
    with mapping(cluster=address) as mapper:
        begun = time.perf_counter()
        compared(mapper(function, jobs(found, Population(lifters, seed=3))), found)
        return time.perf_counter() - begun


def peaks(address: str) -> list[int]:
    """Peak memory of this process while it does few and while it does many sets, kB."""
    found = []
    compared_on(address, stand_in, FEW // 2)  # what is loaded once has its own peak
    for sets in (FEW, MANY):
        # Begins the peak anew (proc(5)); getrusage(2) would tell that of whoever started this program.
        Path("/proc/self/clear_refs").write_text("5")
        compared_on(address, stand_in, sets // 2)
        found.append(int(Path("/proc/self/status").read_text().partition("VmHWM:")[2].split()[0]))
    return found


def main() -> list[Claim]:
    from ebbset.coaching.compare import run_job
    from tests.support.dask_cluster import tcp_cluster

    with contextlib.ExitStack() as stack:
        one, two = (
            stack.enter_context(tcp_cluster(Path(stack.enter_context(tempfile.TemporaryDirectory())), workers))
            for workers in (1, 2)
        )
        taken: dict[str, list[float]] = {one.address: [], two.address: []}
        for address in taken:
            compared_on(address, run_job, 12)  # workers load what they run
        for _ in range(TURNS):
            for address, seconds in taken.items():
                seconds.append(compared_on(address, run_job, LIFTERS))
        alone, both = (statistics.median(seconds) for seconds in taken.values())
        script = f"from benchmarks.bench_cluster import peaks; print(*peaks({two.address!r}))"
        printed = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True).stdout
    few, many = map(int, printed.split())
    per_set_ms = alone / (2 * LIFTERS) * 1e3
    return [
        Claim(
        "cluster: two workers over one", alone / both, "times", 1.85, at_most=False,
        note=f"{2 * LIFTERS} sets, {per_set_ms:.0f} ms a set and worker",
        ),
        Claim(
            f"cluster: client's peak memory, {MANY} sets over {FEW}", many / few, "times", 1.05, at_most=True,
            note=f"{many / 1e3:.0f} over {few / 1e3:.0f} MB",
        ),
    ]  # fmt: skip
