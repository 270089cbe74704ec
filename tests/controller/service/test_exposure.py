"""What the settings and the broker leave open is said once and loudly; a broker that asks for names is not accused."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from ebbset.controller.link.settings import PASSWORD_VARIABLE, USERNAME_VARIABLE, BrokerSettings
from ebbset.controller.service import exposure
from ebbset.controller.service.exposure import lets_anybody_in
from tests.support.brokers import Mosquitto, mosquitto
from tests.support.served import serving, settings_for, until

pytestmark = pytest.mark.broker
OPEN, PLAIN = "broker_open_to_anybody", "broker_not_encrypted"


def named(logs: list[Any], *events: str) -> list[Any]:
    return [entry for entry in logs if entry["event"] in events]


@pytest.fixture
def with_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A broker that lets in who has a name, and the name of this controller in the environment."""
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(passwords), "controller", "secret"], check=True)
    monkeypatch.setenv(USERNAME_VARIABLE, "controller")
    monkeypatch.setenv(PASSWORD_VARIABLE, "secret")
    with mosquitto(tmp_path, f"password_file {passwords}", anonymous=False) as broker:
        yield broker


async def test_an_open_broker_is_told_once_over_all_connections(broker: Mosquitto, tmp_path: Path) -> None:
    with capture_logs() as logs:
        async with serving(settings_for(broker, tmp_path, "open")) as served:
            await until(lambda: bool(named(logs, OPEN)))
            connections = served.link.connections
            served.link._break("cut by the test")  # noqa: SLF001 - nothing public cuts this one connection
            await until(lambda: served.link.connections > connections)
    [told] = named(logs, OPEN, PLAIN)
    assert told["log_level"] == "warning", "on this machine it is a bench"
    assert "arm, load and stop" in told["danger"]
    assert "access list" in told["mend"]


async def test_a_broker_that_asks_for_names_is_not_accused(with_names: Mosquitto, tmp_path: Path) -> None:
    settings = settings_for(with_names, tmp_path, "closed")
    assert await lets_anybody_in(settings.broker) is False
    asked: list[bool | None] = []

    async def noted(broker: BrokerSettings) -> bool | None:
        asked.append(await lets_anybody_in(broker))
        return asked[-1]

    with pytest.MonkeyPatch.context() as patched, capture_logs() as logs:
        patched.setattr(exposure, "lets_anybody_in", noted)
        async with serving(settings):
            await until(lambda: bool(asked))
    assert asked == [False]
    assert named(logs, OPEN, PLAIN) == []


async def test_a_remote_broker_without_tls_that_lets_anybody_in_is_two_errors(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # No other machine is at hand: this one counts as another.
    monkeypatch.setattr(BrokerSettings, "is_loopback", property(lambda _self: False))
    settings = settings_for(broker, tmp_path, "remote", tls={"tls": False})
    with capture_logs() as logs:
        async with serving(settings):
            await until(lambda: bool(named(logs, OPEN)))
    told = named(logs, OPEN, PLAIN)
    assert [(entry["event"], entry["log_level"]) for entry in told] == [(PLAIN, "error"), (OPEN, "error")]
    assert "broker.tls" in told[0]["mend"]


async def test_a_broker_that_does_not_answer_is_not_accused() -> None:
    assert await lets_anybody_in(BrokerSettings(port=1)) is None


async def test_a_defect_in_telling_ends_nothing(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fail(_broker: BrokerSettings) -> bool | None:
        raise RuntimeError("a defect")

    monkeypatch.setattr(exposure, "lets_anybody_in", fail)
    with capture_logs() as logs:
        async with serving(settings_for(broker, tmp_path, "telling")) as served:
            await until(lambda: bool(named(logs, "exposure_not_known")))
            assert served.link.up
