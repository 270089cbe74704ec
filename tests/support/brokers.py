"""A Mosquitto of the test's own: free port, own configuration, nothing kept. Ended by its process, never by name."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Mosquitto:
    """One broker on 127.0.0.1; ``extra`` lines go into its configuration."""

    folder: Path
    extra: tuple[str, ...] = ()
    anonymous: bool = True
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO is not None, "these tests need a Mosquitto (Debian: apt-get install mosquitto)"
        config = self.folder / f"mosquitto-{self.port}.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'true' if self.anonymous else 'false'}",
            "persistence false",
            # Else Mosquitto, started by root, becomes another user, who can't read a test's folder.
            *(["user root"] if os.geteuid() == 0 else []),
            "log_dest none",
            "set_tcp_nodelay true",
            *self.extra,
        ]
        config.write_text("\n".join(lines) + "\n")
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(config)])
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return
            assert self.process.poll() is None, "the broker did not start"
            time.sleep(0.02)
        raise AssertionError("the broker does not answer")

    def stop(self, *, without_warning: bool = False) -> None:
        """End the broker; without warning it sends no last wills."""
        if self.process is not None:
            if without_warning:
                self.process.kill()
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@contextlib.contextmanager
def mosquitto(folder: Path, *extra: str, anonymous: bool = True) -> Iterator[Mosquitto]:
    """A running broker for the time of a ``with``."""
    broker = Mosquitto(folder, extra, anonymous)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
