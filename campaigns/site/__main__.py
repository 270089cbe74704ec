"""Run the site campaign and print what came of it; see `campaigns.site.campaign`."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
from dataclasses import fields
from pathlib import Path

from campaigns.site.accounts import settle
from campaigns.site.campaign import run_site


def main() -> int:
    """Returns 0 when every check passed."""
    parser = argparse.ArgumentParser(prog="python -m campaigns.site", description="The site campaign.")
    parser.add_argument("--rigs", type=int)
    parser.add_argument("--minutes", type=float)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="ten rigs, under a minute")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    rigs = options.rigs or (10 if options.short else 50)
    minutes = options.minutes or (0.6 if options.short else 10.0)
    with tempfile.TemporaryDirectory(prefix="ebbset-site-") as folder:
        run = asyncio.run(run_site(Path(folder), rigs, options.workers, minutes * 60.0, options.seed))
        settle(run)
    tally = run.tally
    told = {field.name: getattr(tally, field.name) for field in fields(tally)}
    for name, value in told.items():
        if name != "problems":
            sys.stdout.write(f"{name}: {json.dumps(value)}\n")
    sys.stdout.write("".join(f"FAILED: {problem}\n" for problem in tally.problems) or "all checks passed\n")
    if options.json is not None:
        options.json.write_text(json.dumps(told, indent=2), encoding="utf-8")
    return 1 if tally.problems else 0


if __name__ == "__main__":
    sys.exit(main())
