"""The long form of fuzzing: ``python -m campaigns.fuzz [--messages N] [--runs N]``.

First it sends a million messages to a complete controller and watches its memory; then it runs every target under the
coverage-guided fuzzer. Exits 1 when something raises, an invariant is broken or memory grows too much.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from .arena import Arena
from .choices import RandomChoices
from .targets import TARGETS, throw

MESSAGES_A_SESSION = 20_000
GROWTH_ALLOWED_MB = 8.0


def resident_mb() -> float:
    """Resident memory of this process, megabytes."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4_096 / 1e6


def storm(messages: int, seed: int) -> tuple[int, int, float, float]:
    """Send that many messages to a controller.

    Args:
        messages: how many.
        seed: of their choice.

    Returns:
        Messages sent, loads that the controller sent, messages a second, and growth of memory in MB.
    """
    choices = RandomChoices(np.random.default_rng(seed))
    thrown = loads = 0
    settled_mb = 0.0
    began = time.perf_counter()
    while thrown < messages:
        # One controller goes through many sets, restarts of the rig and lost links before the next one is made.
        arena = Arena()
        while arena.messages < min(MESSAGES_A_SESSION, messages - thrown):
            throw(arena, choices)
        thrown += arena.messages
        loads += arena.loads
        if settled_mb == 0.0 and thrown >= messages // 10:
            settled_mb = resident_mb()
    return thrown, loads, thrown / (time.perf_counter() - began), resident_mb() - settled_mb


def main() -> int:
    """Run the long form."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.fuzz", description=__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000, help="messages sent to a complete controller")
    parser.add_argument("--runs", type=int, default=200_000, help="inputs for each coverage-guided target")
    parser.add_argument("--seconds", type=int, default=120, help="at most this long for each of them")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    thrown, loads, rate, growth_mb = storm(options.messages, options.seed)
    sys.stdout.write(
        f"{thrown} messages sent, {loads} loads commanded, none of which rose; {rate:.0f} messages a second; "
        f"memory grew by {growth_mb:.1f} MB after the first tenth (allowed: {GROWTH_ALLOWED_MB:g})\n"
    )
    failed = [] if growth_mb <= GROWTH_ALLOWED_MB and loads > 0 else ["storm"]
    for name in TARGETS:
        limits = [f"-runs={options.runs}", f"-max_total_time={options.seconds}", "-max_len=8192", "-rss_limit_mb=2048"]
        extras = [f"-seed={options.seed}", "-print_final_stats=1", "-artifact_prefix=fuzz-"]
        done = subprocess.run(
            [sys.executable, "-m", "campaigns.fuzz.guided", name, *limits, *extras], capture_output=True, text=True
        )
        wanted = ("number_of_executed_units", "peak_rss")
        figures = [line for line in done.stderr.splitlines() if any(word in line for word in wanted)]
        sys.stdout.write(f"{name}: {'passed' if done.returncode == 0 else 'FAILED'}; {'; '.join(figures)}\n")
        if done.returncode != 0:
            failed.append(name)
            sys.stdout.write(done.stderr[-3_000:] + "\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
