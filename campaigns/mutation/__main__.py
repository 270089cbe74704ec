"""Run mutants and compare the survivors with the explained ones: ``python -m campaigns.mutation [TARGET…]``.

The long form runs every mutant of every target. ``--sample N`` runs N of each, drawn by ``--seed``. Exits 1 when a
mutant survives that `survivors.toml` does not explain, or (long form) when that file explains one that no longer
survives; 2 when the tests fail without any mutant.
"""

from __future__ import annotations

import argparse
import os
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from campaigns.mutation.mutants import Mutant, mutants
from campaigns.mutation.run import prepare, survivors
from campaigns.mutation.targets import TARGETS

EXPLAINED: Final = Path(__file__).parent / "survivors.toml"
Key = tuple[str, str, str]


@dataclass(slots=True)
class Tally:
    """Results for one target's mutants; ``unexplained`` and ``stale`` must be empty."""

    name: str
    mutants: int
    killed: int = 0
    explained: int = 0
    unexplained: list[Mutant] = field(default_factory=list)
    stale: list[str] = field(default_factory=list)


def read_explanations(path: Path = EXPLAINED) -> dict[Key, str]:
    """Why each known survivor is not a gap in the tests, by target, line before and line after.

    Raises:
        ValueError: one has no reason.
    """
    found: dict[Key, str] = {}
    for one in tomllib.loads(path.read_text(encoding="utf-8")).get("survivor", []):
        if len(one["why"]) < 20:
            raise ValueError(f"{path.name}: why is {one['why']!r} for {one['becomes']!r}; allowed: a reason")
        found[one["target"], one["was"], one["becomes"]] = one["why"]
    return found


def examine(name: str, *, sample: int | None, seed: int, workers: int, explained: dict[Key, str]) -> Tally:
    """Run the mutants of one target.

    Args:
        name: of the target.
        sample: how many mutants, or None for all.
        seed: of the sample.
        workers: number of parallel processes.
        explained: reasons for known survivors.
    """
    target = TARGETS[name]
    chosen = mutants(target.path.read_text(encoding="utf-8"), sample=sample, seed=seed)
    tally = Tally(name, len(chosen))
    left = {key for key in explained if key[0] == name}
    for done, (mutant, survived) in enumerate(survivors(target, chosen, workers=workers), start=1):
        if done % 50 == 0:
            sys.stderr.write(f"{name}: {done} of {len(chosen)}\n")
        key = (name, mutant.was, mutant.becomes)
        if not survived:
            tally.killed += 1
        elif key in explained:
            tally.explained += 1
            left.discard(key)
        else:
            tally.unexplained.append(mutant)
            sys.stdout.write(f"{target.path.name}:{mutant.line}\n  - {mutant.was}\n  + {mutant.becomes}\n")
    if sample is None:
        tally.stale = sorted(becomes for _, _, becomes in left)
    return tally


def as_table(tallies: list[Tally]) -> str:
    """The results as a Markdown table."""
    lines = ["| target | mutants | killed | survive, explained | survive, unexplained |", "|---|---|---|---|---|"]
    lines += [f"| {t.name} | {t.mutants} | {t.killed} | {t.explained} | {len(t.unexplained)} |" for t in tallies]
    return "\n".join(lines)


def main() -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.mutation", description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"one of {', '.join(TARGETS)}; default: all")
    parser.add_argument("--sample", type=int, help="number of mutants of each target; default: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    unknown = set(options.targets) - set(TARGETS)
    if unknown:
        parser.error(f"target is {', '.join(sorted(unknown))}; allowed: {', '.join(TARGETS)}")
    explained = read_explanations()
    tallies = []
    for name in options.targets or TARGETS:
        try:
            prepare(TARGETS[name])
        except RuntimeError as error:
            sys.stderr.write(f"{error}\n")
            return 2
        tallies.append(
            examine(name, sample=options.sample, seed=options.seed, workers=options.workers, explained=explained)
        )
    sys.stdout.write(as_table(tallies) + "\n")
    for tally in tallies:
        for line in tally.stale:
            sys.stdout.write(f"{tally.name}: explained, but no longer survives: {line}\n")
    return 1 if any(tally.unexplained or tally.stale for tally in tallies) else 0


if __name__ == "__main__":
    sys.exit(main())
