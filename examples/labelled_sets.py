"""Simulated sets as a laboratory would bring them: an encoder's file and a table of labels.

    python examples/labelled_sets.py trial [PEOPLE]

Writes ``trial/positions.csv`` and ``trial/labels.csv``; the simulator lifts and labels, nobody else does. Then, as for
people (docs/measuring-people.md):

    ebbset import trial/positions.csv --simulated --exercise bench_press --set set --person-column person \\
      --time "time [s]" --position "position [mm]" --length-unit mm --load-column "load [kg]" -o trial/recordings
    ebbset evaluate --recordings trial/recordings --labels trial/labels.csv
"""

from __future__ import annotations

import sys
from pathlib import Path

from ebbset.simulators.evaluation.labelled.simulated import draw_sets, write_labelled_sets

SEED = 2026
EXERCISE = "bench_press"
MOST_PEOPLE = 500


def main(arguments: list[str]) -> int:
    """Write both files.

    Args:
        arguments: the folder, and how many people.
    """
    people = arguments[1] if len(arguments) > 1 else "12"
    if not 1 <= len(arguments) <= 2 or not people.isascii() or not people.isdigit():
        print("usage: python examples/labelled_sets.py FOLDER [PEOPLE]", file=sys.stderr)
        return 2
    if not 1 <= int(people) <= MOST_PEOPLE:
        print(f"PEOPLE is {people}; allowed: 1 to {MOST_PEOPLE}", file=sys.stderr)
        return 2
    try:
        done = write_labelled_sets(Path(arguments[0]), draw_sets(SEED, int(people), EXERCISE), seed=SEED)
    except OSError as error:
        print(f"{error.filename}: {error.strerror}", file=sys.stderr)
        return 1
    print(f"{done.positions} and {done.labels}: {done.sets} simulated sets. Nobody lifted.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
