"""Decorators that compile a function and cache the machine code safely.

numba's own cache looks only at the file of the function itself. Our loop calls functions of other files and freezes
constants of further ones, so after an edit there old code would run unnoticed. Here the name of the cache folder holds
a digest of all those files: any edit starts a new folder.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

import numba

from ebbset.models.contract import units
from ebbset.models.physiology import fatigue, muscle
from ebbset.rig import load_ramp
from ebbset.simulators.lifter import layout

_F = TypeVar("_F", bound=Callable[..., Any])
_config: Any = numba.config
_njit: Any = numba.njit
_SOURCES = ("plant/physics.py", "lifter/behaviour.py", "lifter/compiled.py", "lifter/planning.py")


@lru_cache(maxsize=1)
def _cache_folder() -> str | None:
    """Folder for this exact source text, or None where no folder can be written."""
    digest = hashlib.sha256(numba.__version__.encode())
    digest.update(repr(sorted((k, v) for k, v in vars(layout).items() if k.isupper())).encode())
    here = Path(__file__).parent.parent
    for path in [
        Path(muscle.__file__),
        Path(fatigue.__file__),
        Path(units.__file__),
        Path(load_ramp.__file__),
        *(here / name for name in _SOURCES),
    ]:
        digest.update(path.read_bytes())
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "ebbset" / digest.hexdigest()[:16]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return str(folder) if os.access(folder, os.W_OK) else None


def _compile(function: _F, inline: Literal["always", "never"]) -> _F:
    folder = _cache_folder()
    previous = _config.CACHE_DIR
    _config.CACHE_DIR = folder or ""
    try:
        # Nothing compiled here makes an array or keeps one, so counting who holds each (an atomic count for every row
        # that is looked at) would only cost: without it the plant runs in half the time. Making one does not compile.
        compiler = _njit(cache=folder is not None, nogil=True, error_model="numpy", inline=inline, _nrt=False)
        return cast("_F", compiler(function))
    finally:
        _config.CACHE_DIR = previous


def compiled(function: _F) -> _F:
    """Compile ``function`` into its callers: passing arrays between compiled functions costs more than most of them."""
    return _compile(function, "always")


def compiled_apart(function: _F) -> _F:
    """Compile ``function`` by itself, for what is called from Python or seldom."""
    return _compile(function, "never")
