"""Brokers with the configuration of examples/centre, whose places and certificates are replaced by the test's own."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.support.brokers import LOGGING, run_broker

EXAMPLES = Path(__file__).parents[2] / "examples" / "centre"
_CERTIFICATES = ("certfile", "keyfile", "bridge_cafile")
_PATIENCE_S = 60.0


class ExampleBroker:
    """A broker of a site or a centre, not started yet; what it keeps, it keeps in ``folder``.

    Args:
        folder: for its files.
        name: of the configuration.
        changes: what stands after some first words of lines, instead of what the example says.
        *more: further lines.
    """

    def __init__(self, folder: Path, name: str, changes: dict[str, str], *more: str) -> None:
        kept = folder / f"{name}-kept"
        kept.mkdir()
        changes = {**changes, "persistence_location": f"{kept}/"}
        lines = []
        for line in (EXAMPLES / f"{name}.conf").read_text().splitlines():
            word = line.partition(" ")[0]
            if word in changes:
                line = f"{word} {changes.pop(word)}"
            if word not in _CERTIFICATES:
                lines.append(line)
        assert not changes, "the example has no such lines"
        own = ["user root"] if os.geteuid() == 0 else []
        self.config = folder / f"{name}.conf"
        self.config.write_text("\n".join([*own, *LOGGING, *more, *lines]) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = run_broker(self.config)

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.communicate(timeout=_PATIENCE_S)
            self.process = None


def site_broker(folder: Path, port: int, centre: int, password: str) -> ExampleBroker:
    """The broker of the site of the example.

    Args:
        folder: for its files.
        port: where it listens on this machine, for anybody.
        centre: port of the centre's broker on this machine.
        password: of the site there.
    """
    bridged = {"address": f"127.0.0.1:{centre}", "remote_password": password, "restart_timeout": "1 2"}
    return ExampleBroker(folder, "site-bridge", bridged, f"listener {port} 127.0.0.1", "allow_anonymous true")


@contextlib.contextmanager
def running(broker: ExampleBroker) -> Iterator[None]:
    """Run a broker while the block runs."""
    broker.start()
    try:
        yield
    finally:
        broker.stop()
