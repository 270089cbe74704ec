"""The long form: ``python -m campaigns.lying_sensors [--honest N] [--each N] [--seed S] [--write FILE] [--workers N]``.

It prints how often honest sets were ended for force against load, and how long each lie took to be told. With
``--write docs/force-check.md`` it renews the tables of that page. It exits 1 when a target is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from campaigns.lying_sensors.campaign import BIASES_N, LIE_LOAD_N, Cell, Row, cell_of, items, run
from campaigns.lying_sensors.lies import Liar
from campaigns.lying_sensors.targets import missed_targets

BEGIN: Final = "<!-- written by python -m campaigns.lying_sensors -->"
END: Final = "<!-- end -->"
PROGRESS_S: Final = 10.0


def honest_table(rows: Sequence[Row]) -> str:
    """Honest sets by load, in Markdown."""
    lines = ["| load, N per cable | sets | repetitions | ended for force against load |", "|---" * 4 + "|"]
    loads = sorted({row.load_n for row in rows})
    for name, of in [(f"{load:g}", [row for row in rows if row.load_n == load]) for load in loads] + [("all", rows)]:
        lines.append(f"| {name} | {len(of)} | {sum(row.repetitions for row in of)} | {sum(row.told for row in of)} |")
    reasons = Counter(row.reason for row in rows).most_common()
    return "\n".join([*lines, "", "Endings: " + ", ".join(f"{reason} {count}" for reason, count in reasons) + "."])


def lies_table(rows: Sequence[Row]) -> str:
    """Time until a lie was told, a row a bias, a column a liar, in Markdown."""
    lines = ["| bias | " + " | ".join(liar.value for liar in Liar) + " |", "|---" * (len(Liar) + 1) + "|"]
    for bias_n in BIASES_N:
        cells = [cell_of([r for r in rows if r.item.liar is liar and r.item.bias_n == bias_n]) for liar in Liar]
        name = f"{bias_n:+g} N ({100 * bias_n / LIE_LOAD_N:+.0f} %)" if bias_n else "none"
        lines.append(f"| {name} | " + " | ".join(map(_words, cells)) + " |")
    return "\n".join(lines)


def _words(cell: Cell) -> str:
    told, after_s = len(cell.after_s), cell.after_s
    early = f", {cell.early} early" if cell.early else ""
    other = f", {cell.otherwise} ended" if cell.otherwise else ""
    if not told:
        return f"– (0 of {cell.sets}{other}{early})"
    slow_s = after_s[min(told - 1, (9 * told) // 10)]
    return f"{after_s[told // 2]:.1f} / {slow_s:.1f} s ({told} of {cell.sets}{other}{early})"


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.lying_sensors", description=__doc__)
    parser.add_argument("--honest", type=int, default=1_200, help="honest sets")
    parser.add_argument("--each", type=int, default=20, help="sets of each lie and bias")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", type=Path, help="renew the tables of this page")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    began = told_s = time.monotonic()
    rows: list[Row] = []
    for row in run(items(options.honest, options.each, options.seed), workers=options.workers):
        rows.append(row)
        if time.monotonic() - told_s > PROGRESS_S:
            told_s = time.monotonic()
            sys.stderr.write(f"{len(rows)} sets after {told_s - began:.0f} s\n")
    honest = [row for row in rows if row.item.liar is None]
    lies = [row for row in rows if row.item.liar is not None]
    count = f"{len(honest)} honest sets and {len(lies)} with a lie, seed {options.seed}."
    text = "\n\n".join([honest_table(honest), lies_table(lies), count])
    sys.stdout.write(text + f"\n{time.monotonic() - began:.0f} s\n")
    if options.write is not None:
        page = options.write.read_text(encoding="utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        options.write.write_text(f"{before}{BEGIN}\n\n{text}\n\n{END}{after}", encoding="utf-8")
    missed = missed_targets(rows)
    sys.stdout.write("".join(f"not met: {line}\n" for line in missed))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
