"""Whether the core of this installation runs as Python or compiled; both come from one source and decide alike."""

from __future__ import annotations

from importlib.machinery import EXTENSION_SUFFIXES, PathFinder
from pathlib import Path
from typing import Literal

_FOLDER = Path(__file__).parents[1] / "regulation"


def core_build() -> Literal["interpreted", "compiled"]:
    """What an import of the regulator takes; nothing is imported to find out."""
    found = PathFinder.find_spec("regulator", [str(_FOLDER)])
    origin = "" if found is None else str(found.origin)
    return "compiled" if origin.endswith(tuple(EXTENSION_SUFFIXES)) else "interpreted"
