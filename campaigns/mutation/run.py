"""Running tests against a mutant, each in a process of its own that is forked with everything else imported.

No file is changed on disk: the mutant comes in by the import system. (Cosmic Ray's own runner rewrites the source in
place and starts Python anew for each mutant: a run that is broken off leaves a mutant behind, and takes four times as
long. mutmut copies the package under the names of its folders, which are not the names it is imported by.)
"""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import os
import signal
import sys
from collections.abc import Iterable, Iterator, Sequence
from types import CodeType, ModuleType
from typing import Final

import pytest

from campaigns.mutation.mutants import Mutant
from campaigns.mutation.targets import ROOT, Target

LIMIT_S: Final = 60
"""A mutant that runs for so long is stuck in a loop, which a person would notice."""
PREPARED: Final = (
    "hypothesis",
    "structlog",
    "numpy",
    "ebbset.models.contract.prescription",
    "ebbset.models.contract.profile",
)
"""What the tests import and no target is a part of; imported once, before the fork."""


class _MutantLoader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, source: str) -> None:
        super().__init__(name, path)
        self._source = source

    def get_code(self, fullname: str) -> CodeType:
        """The mutant's code, never a cached one."""
        return compile(self._source, self.get_filename(fullname), "exec")


class _MutantFinder(importlib.abc.MetaPathFinder):
    def __init__(self, target: Target, source: str) -> None:
        self._target = target
        self._source = source

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,  # noqa: ARG002 - the import system passes it
        target: ModuleType | None = None,  # noqa: ARG002 - the import system passes it
    ) -> importlib.machinery.ModuleSpec | None:
        """The mutant in the place of the target; anything else is none of its business."""
        if fullname != self._target.module:
            return None
        where = str(self._target.path)
        return importlib.util.spec_from_file_location(
            fullname, where, loader=_MutantLoader(fullname, where, self._source)
        )


def prepare() -> None:
    """Import what every run needs.

    Raises:
        RuntimeError: a target, or what could hold a part of one, is imported already.
    """
    for name in PREPARED:
        importlib.import_module(name)
    if any(name.startswith("ebbset.controller") for name in sys.modules):
        raise RuntimeError("the controller is imported before the fork, so a mutant of it would not be seen")


def passes(target: Target, source: str) -> bool:
    """Whether the target's tests pass with this text in its place."""
    return next(iter(_verdicts(target, [source], workers=1)))[1]


def survivors(target: Target, chosen: Iterable[Mutant], *, workers: int) -> Iterator[tuple[Mutant, bool]]:
    """Each mutant, as its tests end, and whether it survived them.

    Args:
        target: the module and its tests.
        chosen: mutants of that module.
        workers: how many processes at once.
    """
    listed = list(chosen)
    for index, passed in _verdicts(target, [mutant.source for mutant in listed], workers=workers):
        yield listed[index], passed


def _verdicts(target: Target, sources: list[str], *, workers: int) -> Iterator[tuple[int, bool]]:
    running: dict[int, int] = {}
    waiting = list(enumerate(sources))[::-1]
    while waiting or running:
        while waiting and len(running) < workers:
            index, source = waiting.pop()
            running[_fork(target, source)] = index
        pid, status = os.wait()
        if pid in running:
            code = os.waitstatus_to_exitcode(status)
            if code not in (
                pytest.ExitCode.OK,
                pytest.ExitCode.TESTS_FAILED,
                pytest.ExitCode.INTERRUPTED,
                -signal.SIGALRM,
            ):
                raise RuntimeError(f"{target.module}: pytest ended with {code}; allowed: passed, failed, out of time")
            yield running.pop(pid), code == pytest.ExitCode.OK


def _fork(target: Target, source: str) -> int:
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = int(pytest.ExitCode.INTERNAL_ERROR)
    try:
        signal.alarm(LIMIT_S)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for stream in (1, 2):
            os.dup2(nowhere, stream)
        os.chdir(ROOT)
        sys.meta_path.insert(0, _MutantFinder(target, source))
        code = int(pytest.main([*target.tests, "-x", "-q", "-p", "no:cacheprovider"]))
    finally:
        os._exit(code)
