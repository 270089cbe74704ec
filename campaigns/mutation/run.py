"""Runs tests against mutants, each in its own process, forked after everything else has been imported.

No file is changed on disk: the mutant is loaded through the import system. Cosmic Ray's own runner rewrites the source
in place, so an aborted run leaves a mutant behind, and it starts a new Python for each mutant.
"""

from __future__ import annotations

import contextlib
import gc
import importlib.abc
import importlib.machinery
import importlib.util
import os
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from types import CodeType, ModuleType
from typing import Final

import pytest

from campaigns.mutation.mutants import Mutant
from campaigns.mutation.targets import ROOT, Target

LIMIT_S: Final = 60
"""A mutant that runs longer than this is stuck in a loop and counts as killed."""
OPTIONS: Final = (
    *("-x", "-q", "--tb=no", "--assert=plain", "--noconftest"),
    *("-p", "no:cacheprovider", "-p", "pytest_asyncio.plugin"),
)
"""Only the verdict is needed. The fixtures of the whole suite are left out because they import every target."""


class _NotYetError(Exception):
    """Something imports the target before the fork. Not an ImportError, since a module could catch that."""


class _Barrier(importlib.abc.MetaPathFinder):
    """Prevents the import of the target, and so of every module that imports it."""

    def __init__(self, module: str) -> None:
        self._module = module

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,  # noqa: ARG002 - the import system passes it
        target: ModuleType | None = None,  # noqa: ARG002 - the import system passes it
    ) -> importlib.machinery.ModuleSpec | None:
        """Return None, but raise for the target."""
        if fullname == self._module:
            raise _NotYetError(fullname)
        return None


class _MutantLoader(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, source: str) -> None:
        super().__init__(name, path)
        self._source = source

    def get_code(self, fullname: str) -> CodeType:
        """The mutant's code, never cached code."""
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
        """The mutant in place of the target; None for any other module."""
        if fullname != self._target.module:
            return None
        where = str(self._target.path)
        return importlib.util.spec_from_file_location(
            fullname, where, loader=_MutantLoader(fullname, where, self._source)
        )


def prepare(target: Target) -> None:
    """Import what the target's tests need, except what imports the target itself, so that each fork has it.

    Args:
        target: the module and its tests.

    Raises:
        RuntimeError: the tests cannot be collected.
    """
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # compiled code is cached, or each fork would compile the tests again; a mutant's code never is
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    for name in [name for name in sys.modules if name.partition(".")[0] in ("ebbset", "tests")]:
        del sys.modules[name]
    barrier = _Barrier(target.module)
    sys.meta_path.insert(0, barrier)
    try:
        for name in _imported_by_tests(target):
            # No import finds again what a compiled extension or a pool of processes put among the modules itself, and
            # a folder whose package the barrier stopped is met half-way. Each fork imports what is missing.
            with contextlib.suppress(_NotYetError, ImportError):
                importlib.import_module(name)
    finally:
        sys.meta_path.remove(barrier)
    gc.freeze()


def _imported_by_tests(target: Target) -> list[str]:
    """Names of the modules that are loaded after the tests have run, except the test modules themselves."""
    code = (
        "import sys, pytest; before = set(sys.modules); sys.path.insert(0, '.')\n"
        f"code = pytest.main({[*OPTIONS, *target.tests]!r})\n"
        "print('\\n'.join(['', 'modules', *sorted(set(sys.modules) - before)])); sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{target.module}: its tests fail without any mutant: {done.stdout[-2_000:]}{done.stderr}")
    names = done.stdout.partition("\nmodules\n")[2].split()
    return [name for name in names if not name.rpartition(".")[2].startswith(("test_", "__main__"))]


def passes(target: Target, source: str) -> bool:
    """Whether the target's tests pass with this source in place of the target's.

    Args:
        target: the module and its tests.
        source: text of the module.
    """
    return next(iter(_verdicts(target, [source], workers=1)))[1]


def survivors(target: Target, chosen: Iterable[Mutant], *, workers: int) -> Iterator[tuple[Mutant, bool]]:
    """Yield each mutant as its tests end, with whether it survived them.

    Args:
        target: the module and its tests.
        chosen: mutants of that module.
        workers: number of parallel processes.
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
        code = int(pytest.main([*OPTIONS, *target.tests]))
    finally:
        os._exit(code)
