"""The long form: ``python -m campaigns.adversary [--sets N] [--family NAME] [--seed S] [--json FILE] [--workers N]``.

With ``--family NAME --index I`` it drives that one set and prints every decision beside the truth. It exits 0 when
every target is met and 1 otherwise.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

from campaigns.adversary.campaign import NAMES, Item, Totals, by_load, drive, items, run, total
from campaigns.adversary.targets import missed_targets

HEADS = (
    "family",
    "sets",
    "healthy",
    "healthy wrong",
    "failures",
    "missed",
    "sets with none seen",
    "false drops",
    "wrong counts",
    "wrong ends",
    "to the drop, s: median",
    "slowest tenth",
    "worst",
)
MOST_CAUSES = 6


def as_table(totals: Mapping[str, Totals]) -> str:
    """The figures as a Markdown table with a row for each family."""
    lines = ["| " + " | ".join(HEADS) + " |", "|---" * len(HEADS) + "|"]
    for name, found in totals.items():
        times = ["–" if (at := found.seen_s(q)) is None else f"{at:.2f}" for q in (0.5, 0.9, 1.0)]
        counts = (found.sets, found.healthy, found.healthy_wrong, found.failures, found.unseen, found.never_seen)
        rest = (found.false_drops, found.wrong_counts, found.wrong_ends)
        lines.append("| " + " | ".join((name, *map(str, counts), *map(str, rest), *times)) + " |")
    return "\n".join(lines)


def as_loads(totals: Mapping[str, Totals]) -> str:
    """The bench press as a Markdown table with a row for each load."""
    heads = ("load", "sets", "first failure missed", "first seen after, s: median", "worst", "failures", "missed")
    lines = ["| " + " | ".join((*heads, "wrong counts")) + " |", "|---" * (len(heads) + 1) + "|"]
    for name, found in totals.items():
        first = sorted(found.first_after_s)
        times = (f"{first[len(first) // 2]:.2f}", f"{first[-1]:.2f}") if first else ("–", "–")
        counts = (found.failures, found.unseen, found.wrong_counts)
        lines.append(
            "| " + " | ".join((name, str(found.sets), str(found.first_unseen), *times, *map(str, counts))) + " |"
        )
    return "\n".join(lines)


def as_causes(totals: Mapping[str, Totals]) -> str:
    """What went wrong most often in each family, and how its sets ended, in Markdown."""
    lines = ["| family | what went wrong | times |", "|---|---|---|"]
    for name, found in totals.items():
        if name != "all":
            lines += [f"| {name} | {cause} | {count} |" for cause, count in found.causes.most_common(MOST_CAUSES)]
    lines += ["", "| family | endings |", "|---|---|"]
    for name, found in totals.items():
        lines.append(f"| {name} | {', '.join(f'{reason} {count}' for reason, count in found.reasons.most_common())} |")
    return "\n".join(lines)


def main() -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.adversary", description=__doc__)
    parser.add_argument("--sets", type=int, default=4_000, help="number of sets, spread evenly over the families")
    parser.add_argument("--family", choices=NAMES, help="only this one")
    parser.add_argument("--index", type=int, help="only this set of the family, printing every decision")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write all figures and every set there")
    parser.add_argument("--seconds", type=float, default=math.inf, help="stop after this time and sum up")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    if options.index is not None:
        if options.family is None:
            parser.error("--index needs --family")
        row = drive(
            Item(family=options.family, index=options.index, seed=options.seed),
            trace=lambda line: sys.stdout.write(line + "\n"),
        )
        sys.stdout.write(f"{row.family} {row.index}, {row.variant}\n{row.verdict}\n")
        return 0
    began = time.monotonic()
    rows = []
    for row in run(items(options.sets, options.seed, options.family), workers=options.workers):
        rows.append(row)
        if time.monotonic() - began > options.seconds:
            break
    totals = total(rows)
    loads = by_load(rows)
    tables = (as_table(totals), as_loads(loads), as_causes(totals)) if loads else (as_table(totals), as_causes(totals))
    sys.stdout.write("\n\n".join(tables) + "\n\n")
    sys.stdout.write(f"{len(rows)} sets in {time.monotonic() - began:.0f} s, seed {options.seed}\n")
    if options.json is not None:
        sets = [{"family": r.family, "index": r.index, "variant": r.variant, **asdict(r.verdict)} for r in rows]
        figures = {name: found.as_json() for name, found in totals.items()}
        text = json.dumps({"seed": options.seed, "totals": figures, "sets": sets}, indent=1)
        options.json.write_text(text, encoding="utf-8")
    missed = missed_targets(totals)
    sys.stdout.write("".join(f"not met: {line}\n" for line in missed))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
