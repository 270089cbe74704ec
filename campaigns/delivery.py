"""What is delivered: sdist and wheel made twice and compared, checked, installed without the sources and tested.

Everything starts from the files of the last commit, in a folder of its own. An interpreter that is not on the machine
is named as not tested, never passed over in silence.

    python -m campaigns.delivery                     # build and check; then the quick tests from the wheel
    python -m campaigns.delivery --whole             # the whole suite from the wheel, on every interpreter found
    python -m campaigns.delivery --build-only
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[1]
PYTHONS: Final = ("3.11", "3.12", "3.13")
ROOMS: Final = tuple(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-dir"].values())
"""Folders that the installed wheel must replace."""
TOOLS: Final = ("build", "twine", "check-wheel-contents")
OF_SOURCES: Final = (
    "tests/system/test_rooms.py",
    "tests/system/test_docstrings.py",
    "tests/system/test_extras.py",
    "tests/system/test_delivery.py",
    "tests/campaigns/test_mutation.py",
)
"""Tests that read or change the source files of the rooms, which are not there."""
QUICK: Final = (
    "tests/models",
    "tests/controller/policies",
    "tests/controller/recording",
    "tests/console/test_console.py",
)


class DeliveryError(Exception):
    """What is delivered is not as it should be; the text says what."""


def sources_at(commit: str, folder: Path) -> int:
    """Write the files of a commit into a folder; returns the commit's time, seconds since 1970.

    Args:
        commit: which.
        folder: empty or missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    packed = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=True).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(folder, filter="data")
    told = subprocess.run(["git", "log", "-1", "--format=%ct", commit], cwd=ROOT, capture_output=True, check=True)
    return int(told.stdout)


def build(python: Path, sources: Path, into: Path, epoch_s: int) -> tuple[Path, Path]:
    """Make sdist and wheel, the wheel from the sdist, with nothing in them that depends on when or where.

    Args:
        python: interpreter that has the tool `build`.
        sources: folder with pyproject.toml.
        into: folder for both.
        epoch_s: time that files get, seconds since 1970.

    Returns:
        The sdist and the wheel.

    Raises:
        DeliveryError: they could not be made.
    """
    environment = os.environ | {"SOURCE_DATE_EPOCH": str(epoch_s)}
    _run([python, "-m", "build", "--outdir", into, sources], environment)
    (sdist,), (wheel,) = into.glob("*.tar.gz"), into.glob("*.whl")
    settle_times(sdist, epoch_s)
    return sdist, wheel


def settle_times(sdist: Path, epoch_s: int) -> None:
    """Write an sdist anew with one time and one owner, because setuptools takes those of files that it generates.

    Args:
        sdist: the file, which is replaced.
        epoch_s: time that its members get, seconds since 1970.
    """
    with tarfile.open(sdist) as old:
        members = sorted(
            ((m, m.isfile() and old.extractfile(m)) for m in old.getmembers()), key=lambda pair: pair[0].name
        )
        packed = io.BytesIO()
        with tarfile.open(fileobj=packed, mode="w", format=tarfile.PAX_FORMAT) as new:
            for member, content in members:
                member.mtime, member.uid, member.gid, member.uname, member.gname = epoch_s, 0, 0, "", ""
                member.mode, member.pax_headers = 0o755 if member.isdir() else 0o644, {}
                new.addfile(member, content or None)
    with sdist.open("wb") as raw, gzip.GzipFile(filename="", fileobj=raw, mode="wb", mtime=epoch_s) as out:
        out.write(packed.getvalue())


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def interpreter(version: str) -> Path | None:
    """The interpreter of a version, e.g. ``3.12``, on this machine's path or beside this one; None: there is none."""
    found = shutil.which(f"python{version}")
    beside = sorted(Path(sys.base_prefix).parent.glob(f"{version}.*/bin/python{version}"))
    for candidate in (found, *beside):
        # A shim on the path may name a version that it cannot start.
        if candidate and subprocess.run([candidate, "-c", ""], capture_output=True, check=False).returncode == 0:
            return Path(candidate)
    return None


def tested(wheel: Path, sources: Path, python: Path, tests: Sequence[str], folder: Path) -> str:
    """Install the wheel into an empty environment and run tests against it; returns pytest's last line.

    Args:
        wheel: to install, with the extra `dev`.
        sources: folder with the tests, without the rooms.
        python: interpreter.
        tests: files and folders under ``sources``.
        folder: for the environment.

    Raises:
        DeliveryError: something could not be installed, or a test failed.
    """
    _run([python, "-m", "venv", folder])
    inside = folder / "bin" / "python"
    locked = os.environ | {"PIP_CONSTRAINT": str(sources / "constraints.txt")}
    _run([inside, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", f"{wheel}[dev]"], locked)
    left_out = [f"--ignore={name}" for name in OF_SOURCES]
    path = os.pathsep.join((str(folder / "bin"), os.environ["PATH"]))
    wanted = [inside, "-m", "pytest", "-q", "-n", "3", "--dist", "worksteal", *left_out, *tests]
    return _run(wanted, os.environ | {"PATH": path}, cwd=sources).strip().splitlines()[-1]


def _run(command: Sequence[object], environment: dict[str, str] | None = None, cwd: Path | None = None) -> str:
    words = [str(word) for word in command]
    done = subprocess.run(words, env=environment, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise DeliveryError(f"`{' '.join(words)}` ended with {done.returncode}:\n{(done.stdout + done.stderr)[-4000:]}")
    return done.stdout


def deliver(folder: Path, tests: Sequence[str], commit: str = "HEAD") -> Iterator[str]:
    """Do all of it; a line for each thing that was found.

    Args:
        folder: for everything that is made.
        tests: to run from the wheel; none: build and check only.
        commit: of which to deliver the files.

    Raises:
        DeliveryError: something is not as it should be.
    """
    sources = folder / "sources"
    epoch_s = sources_at(commit, sources)
    _run([sys.executable, "-m", "venv", folder / "tools"])
    python = folder / "tools" / "bin" / "python"
    _run([python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *TOOLS])
    first, second = (build(python, sources, folder / name, epoch_s) for name in ("first", "second"))
    for one, other in zip(first, second, strict=True):
        if digest(one) != digest(other):
            raise DeliveryError(f"{one.name} is not the same when it is made again")
        yield f"{one.name}: {one.stat().st_size:,} bytes, the same when made again, sha256 {digest(one)}"
    _run([python, "-m", "twine", "check", "--strict", *first])
    _run([folder / "tools" / "bin" / "check-wheel-contents", first[1]])
    yield "description and contents: nothing to say"
    for room in ROOMS:
        shutil.rmtree(sources / room)
    for version in PYTHONS if tests else ():
        at = interpreter(version)
        if at is None:
            yield f"Python {version}: not on this machine, so not tested"
        else:
            yield f"Python {version}: {tested(first[1], sources, at, tests, folder / version)}"


def main() -> int:
    """Command line; returns 1 with a sentence when something is wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--whole", action="store_true", help="the whole suite instead of the quick tests")
    parser.add_argument("--build-only", action="store_true", help="no tests")
    given = parser.parse_args()
    tests = () if given.build_only else ("tests",) if given.whole else QUICK
    with tempfile.TemporaryDirectory(prefix="ebbset-delivery-") as folder:
        try:
            for line in deliver(Path(folder), tests):
                sys.stdout.write(f"{line}\n")
                sys.stdout.flush()
        except DeliveryError as error:
            sys.stderr.write(f"{error}\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
