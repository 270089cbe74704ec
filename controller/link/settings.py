"""Settings of the service: broker, credentials, rig and files. Read once, at start.

Credentials come from the environment or from a file that others can't read, never from a command line or from the
settings file itself. A broker on another machine is spoken to over TLS with its certificate verified unless the
settings say otherwise explicitly. Never here: connections.
"""

from __future__ import annotations

import ipaddress
import os
import ssl
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ebbset.controller.recording.regular_files import LARGEST_DOCUMENT_BYTES, read_document, read_regular
from ebbset.models.contract.field_types import RigName
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.problems import BadDocumentError, Problem, UnusableFileError, problems_of, shorten
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.toml_text import read_model, read_toml

USERNAME_VARIABLE: Final = "EBBSET_MQTT_USERNAME"
PASSWORD_VARIABLE: Final = "EBBSET_MQTT_PASSWORD"
PLAIN_PORT: Final = 1883
TLS_PORT: Final = 8883


class _SettingsSection(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Credentials:
    """User name and password for the broker; its text form shows neither."""

    username: str
    password: str

    def __repr__(self) -> str:
        """A text without the secrets, since it may be logged."""
        return "Credentials(...)"


class BrokerSettings(_SettingsSection):
    """One MQTT broker."""

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65_535)] | None = Field(
        default=None, description="default: 8883 with TLS, 1883 without"
    )
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    tls: bool | None = Field(default=None, description="default: on, unless the broker runs on this machine")
    ca_file: Path | None = Field(default=None, description="certificates to trust instead of the system's")
    credentials_file: Path | None = Field(
        default=None,
        description=f"TOML with username and password, readable by its owner only; {USERNAME_VARIABLE} and "
        f"{PASSWORD_VARIABLE} in the environment take precedence",
    )

    @property
    def is_loopback(self) -> bool:
        """The broker runs on this machine."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def uses_tls(self) -> bool:
        """The connection is encrypted and the broker's certificate verified."""
        return not self.is_loopback if self.tls is None else self.tls

    @property
    def resolved_port(self) -> int:
        """The port to connect to."""
        return self.port if self.port is not None else (TLS_PORT if self.uses_tls else PLAIN_PORT)

    def tls_context(self) -> ssl.SSLContext | None:
        """Context that verifies certificate and host name; None without TLS.

        Raises:
            BadDocumentError: ``ca_file`` cannot be read.
        """
        if not self.uses_tls:
            return None
        try:
            if self.ca_file is not None:
                read_regular(self.ca_file, LARGEST_DOCUMENT_BYTES)
            return ssl.create_default_context(cafile=self.ca_file)
        except UnusableFileError as error:
            raise _bad("broker.ca_file", self.ca_file, f"a readable file of certificates ({error})") from None
        except (OSError, ssl.SSLError) as error:
            raise _bad("broker.ca_file", self.ca_file, f"a readable file of certificates ({error})") from None

    def credentials(self, environ: Mapping[str, str] | None = None) -> Credentials | None:
        """User name and password from the environment, else from the file.

        Args:
            environ: variables to read instead of those of this process.

        Returns:
            The pair, or None when neither place has one.

        Raises:
            BadDocumentError: only one of the two variables is set, or the file is missing, malformed or readable by
                others.
        """
        environ = os.environ if environ is None else environ
        username, password = environ.get(USERNAME_VARIABLE), environ.get(PASSWORD_VARIABLE)
        if username is not None and password is not None:
            return Credentials(username, password)
        if username is not None or password is not None:
            lacking = PASSWORD_VARIABLE if password is None else USERNAME_VARIABLE
            raise _bad(lacking, None, f"a value, since {USERNAME_VARIABLE} and {PASSWORD_VARIABLE} go together")
        return None if self.credentials_file is None else _credentials_from(self.credentials_file)


class ServeSettings(_SettingsSection):
    """What `serve` needs to know."""

    rig: RigName
    broker: BrokerSettings = BrokerSettings()
    recordings: Path = Field(default=Path("recordings"), description="folder for recordings; created if missing")
    prescription: Path | None = Field(default=None, description="used if an arm request has none")
    profile: Path | None = Field(default=None, description="used if an arm request has none")

    simulated_profile: bool = Field(
        default=False, description="arm a real rig with a profile that was made from simulated sets"
    )

    @classmethod
    def from_toml(cls, text: str, *, what: str = "settings") -> ServeSettings:
        """Read from TOML; raises `BadDocumentError` naming every field that is wrong.

        Args:
            text: TOML text.
            what: name of the document in errors.
        """
        return read_model(cls, text, what=what)

    @classmethod
    def of(cls, **values: Any) -> ServeSettings:
        """Make settings from the values of a command line.

        Args:
            values: fields by name.

        Raises:
            BadDocumentError: naming every field that is wrong.
        """
        try:
            return cls.model_validate(values)
        except ValidationError as error:
            raise BadDocumentError("settings", problems_of(error)) from None

    def load_prescription(self) -> Prescription | None:
        """The prescription in the file that the settings name; None when they name none.

        Raises:
            BadDocumentError: the file cannot be read, or a field in it is wrong.
        """
        if self.prescription is None:
            return None
        return Prescription.from_toml(_read("prescription", self.prescription), what=self.prescription.name)

    def load_profile(self) -> LifterProfile | None:
        """The profile in the file that the settings name; None when they name none.

        Raises:
            BadDocumentError: the file cannot be read, or a field in it is wrong.
        """
        if self.profile is None:
            return None
        return LifterProfile.from_toml(_read("profile", self.profile), what=self.profile.name)


def _bad(field: str, value: object, allowed: str) -> BadDocumentError:
    """The error for one field of the settings.

    Args:
        field: its name.
        value: what it holds; None when it is missing.
        allowed: what it may hold, in words.
    """
    kind = "missing" if value is None else "value"
    return BadDocumentError("settings", [Problem(field, shorten(str(value)), allowed, kind)])


def _read(field: str, path: Path) -> str:
    """Read a text file.

    Args:
        field: the field of the settings that names it.
        path: the file.

    Raises:
        BadDocumentError: it cannot be read as UTF-8 text.
    """
    try:
        return read_document(path)
    except UnusableFileError as error:
        raise _bad(field, path, f"a readable text file ({error})") from None


def _credentials_from(path: Path) -> Credentials:
    field = "broker.credentials_file"
    text = _read(field, path)
    if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise _bad(field, path, f"a file that only its owner can read (chmod 600 {path.name})")
    try:
        data = read_toml(text, what=field)
    except BadDocumentError as error:
        # Only what is allowed: the value would show the beginning of a file that holds a password.
        allowed = error.problems[0].allowed
        raise _bad(field, path, f"TOML with username and password ({allowed})") from None
    username, password = data.get("username"), data.get("password")
    if not isinstance(username, str) or not isinstance(password, str):
        raise _bad(field, path, "TOML with username and password, both text")
    return Credentials(username, password)
