"""Coverage-guided fuzzing of one target with Atheris: ``python -m campaigns.fuzz.guided TARGET [libFuzzer options]``.

Each target needs a process of its own, because the fuzzer never returns.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris


def main(arguments: list[str]) -> None:
    """Fuzz up to the limits in the options; if a target raises, exit non-zero and keep the input."""
    with atheris.instrument_imports(include=["ebbset", "campaigns.fuzz"]):
        from campaigns.fuzz.targets import TARGETS, seeds
    name = arguments[1]
    corpus = Path(tempfile.mkdtemp(prefix=f"ebbset-fuzz-{name}-"))
    for number, seed in enumerate(seeds(name)):
        (corpus / f"seed-{number}").write_bytes(seed)
    atheris.Setup([arguments[0], str(corpus), *arguments[2:]], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
