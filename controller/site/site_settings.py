"""Settings of a service for many rigs, from one file: what holds for all, and what is different for one.

Paths are relative to the folder of the file, so that the service may be started anywhere. Never here: processes.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field

from ebbset.controller.link.settings import BrokerSettings, ServeSettings
from ebbset.controller.recording.regular_files import read_document
from ebbset.controller.service.documents import read_prescription, read_profile
from ebbset.models.contract.field_types import RigName
from ebbset.models.contract.problems import BadDocumentError, Problem, UnusableFileError, shorten
from ebbset.models.contract.toml_text import read_model, read_toml

MOST_WORKERS: Final = 16
MOST_RIGS: Final = 500
RIGS_A_WORKER: Final = 25
"""Rigs for which a worker is added when the number of workers is not given; our judgement: about half a core."""


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class MetricsSettings(_Section):
    """Where metrics and health can be asked for."""

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65_535)] = 8790


class RigSection(_Section):
    """What is different for one rig; what is left out is as for all."""

    broker: BrokerSettings | None = None
    recordings: Path | None = None
    prescription: Path | None = None
    profile: Path | None = None
    simulated_profile: bool | None = None


class SiteSettings(_Section):
    """What a service for many rigs needs to know."""

    rigs: Annotated[dict[RigName, RigSection], Field(min_length=1, max_length=MOST_RIGS)]
    workers: Annotated[int, Field(ge=1, le=MOST_WORKERS)] | None = Field(
        default=None, description="worker processes; default: one for every 25 rigs, as far as there are processors"
    )
    broker: BrokerSettings = BrokerSettings()
    recordings: Path = Field(default=Path("recordings"), description="folder, created if missing")
    prescription: Path | None = Field(default=None, description="used if an arm request has none")
    profile: Path | None = Field(default=None, description="used if an arm request has none")
    simulated_profile: bool = False
    site: RigName | None = Field(
        default=None, description="name of the site in reports of its health; none are sent when left out"
    )
    metrics: MetricsSettings | None = Field(default=None, description="no metrics and no health page when left out")

    @property
    def worker_count(self) -> int:
        """How many worker processes serve these rigs."""
        if self.workers is not None:
            return min(self.workers, len(self.rigs))
        return min(os.cpu_count() or 1, MOST_WORKERS, -(-len(self.rigs) // RIGS_A_WORKER))

    def site_broker(self, folder: Path) -> BrokerSettings:
        """The broker that holds for all, with its files found.

        Args:
            folder: that of the settings file, to which paths are relative.
        """
        return _found(self.broker, folder)

    def rig_settings(self, folder: Path) -> dict[str, ServeSettings]:
        """The settings of each rig, whole, in the order of the file.

        Args:
            folder: that of the settings file, to which paths are relative.
        """
        shared = self.model_dump(include={"recordings", "prescription", "profile", "simulated_profile"})
        found = {}
        for rig, section in self.rigs.items():
            own = section.model_dump(exclude_none=True, exclude={"broker"})
            broker = _found(section.broker or self.broker, folder)
            paths = {name: folder / value for name, value in (shared | own).items() if isinstance(value, Path)}
            values = shared | own | paths | {"rig": rig, "broker": broker}
            found[rig] = ServeSettings.model_validate(values)
        return found


_BROKER_FILES: Final = ("ca_file", "credentials_file")


def _found(broker: BrokerSettings, folder: Path) -> BrokerSettings:
    files = {name: folder / path for name in _BROKER_FILES if (path := getattr(broker, name)) is not None}
    return broker.model_copy(update=files)


def is_for_a_site(text: str) -> bool:
    """Whether a settings file names rigs rather than one rig.

    Args:
        text: the file, which need not be right.
    """
    try:
        return "rigs" in read_toml(text, what="settings")
    except BadDocumentError:
        return False


def read_site(path: Path) -> SiteSettings:
    """The settings in a file, with every document that they name read once, so that its errors appear now.

    Args:
        path: the file.

    Raises:
        BadDocumentError: a field is wrong, or a document or certificate that the settings name cannot be used.
        UnusableFileError: the file itself cannot be read.
    """
    what = str(path)
    site = read_model(SiteSettings, read_document(path), what=what)
    seen: set[tuple[str, Path]] = set()
    for rig, settings in site.rig_settings(path.parent).items():
        for field, reader in (("prescription", read_prescription), ("profile", read_profile)):
            file = getattr(settings, field)
            if file is None or (field, file) in seen:
                continue
            seen.add((field, file))
            try:
                reader(file)
            except UnusableFileError as error:
                allowed = f"a readable text file ({error})"
                problem = Problem(f"rigs.{rig}.{field}", shorten(str(file)), allowed, "value")
                raise BadDocumentError(what, [problem]) from None
        settings.broker.credentials()
        settings.broker.tls_context()
    return site
