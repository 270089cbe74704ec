"""The prescriptions and profiles that the page knows: those in its home folder, read again when they change.

They can be armed from the page, and by their digests the page knows what a study hides on screens and how long a set
may take. Files that cannot be read are named with what is wrong, and the rest is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ebbset.controller.service.documents import read_prescription, read_profile
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, UnusableFileError
from ebbset.models.contract.profile import LifterProfile

MOST_FILES: Final = 500


@dataclass(frozen=True, slots=True)
class KnownFile:
    """One file of the home folder: its name, what it holds, or why that cannot be used."""

    name: str
    order: Prescription | None = None
    profile: LifterProfile | None = None
    problem: str = ""


class KnownOrders:
    """Prescriptions in ``prescriptions/`` and profiles in ``profiles/`` of a home folder.

    Args:
        home: the folder; need not exist.

    Attributes:
        by_digest: prescriptions by digest, those that were known before too.
    """

    def __init__(self, home: Path) -> None:
        self._home = home
        self._read: dict[Path, tuple[tuple[int, int], KnownFile]] = {}
        self.by_digest: dict[str, Prescription] = {}

    def know(self, order: Prescription) -> None:
        """Remember a prescription that came by another way, such as a session's.

        Args:
            order: the prescription.
        """
        self.by_digest.setdefault(order.digest(), order)
        while len(self.by_digest) > 2 * MOST_FILES:
            del self.by_digest[next(iter(self.by_digest))]

    def prescriptions(self) -> list[KnownFile]:
        """The files in ``prescriptions/``, by name."""
        found = self._files("prescriptions")
        for file in found:
            if file.order is not None:
                self.know(file.order)
        return found

    def profiles(self) -> list[KnownFile]:
        """The files in ``profiles/``, by name."""
        return self._files("profiles")

    def _files(self, kind: str) -> list[KnownFile]:
        folder = self._home / kind
        paths = sorted(folder.glob("*.toml"))[:MOST_FILES] if folder.is_dir() else []
        found = []
        for path in paths:
            try:
                status = path.stat()
            except OSError:
                continue
            seen = (status.st_mtime_ns, status.st_size)
            known = self._read.get(path)
            if known is None or known[0] != seen:
                known = (seen, _read(path, kind))
                self._read[path] = known
            found.append(known[1])
        here = set(paths)
        for gone in [path for path in self._read if path.parent == folder and path not in here]:
            del self._read[gone]
        return found


def _read(path: Path, kind: str) -> KnownFile:
    try:
        if kind == "profiles":
            return KnownFile(path.stem, profile=read_profile(path))
        return KnownFile(path.stem, order=read_prescription(path))
    except BadDocumentError as error:
        return KnownFile(path.stem, problem=str(error.problems[0]))
    except UnusableFileError as error:
        return KnownFile(path.stem, problem=str(error).removeprefix(f"{path}: "))
