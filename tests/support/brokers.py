"""A Mosquitto of the test's own: free port, own configuration, nothing kept. Ended by its process, never by name."""

from __future__ import annotations

import contextlib
import os
import secrets
import select
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    """A free port below the range that the system assigns, so that it is not taken in the meantime."""
    while True:
        port = 20_000 + secrets.randbelow(10_000)
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port


LOGGING = ("log_dest stderr", "log_type information", "log_type error")
"""What a broker says about itself, so that `run_broker` hears when it is up; nothing for each client or message."""
_PATIENCE_S = 60.0


def run_broker(config: Path) -> subprocess.Popen[bytes]:
    """Start Mosquitto and wait until it says that it is running, which it says once its listeners are open.

    Args:
        config: its configuration, with the lines of `LOGGING` in it.
    """
    assert MOSQUITTO is not None, "these tests need a Mosquitto (Debian: apt-get install mosquitto)"
    process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=subprocess.PIPE)
    assert process.stderr is not None
    said, deadline = b"", time.monotonic() + _PATIENCE_S
    while b" running" not in said:
        ready, _, _ = select.select([process.stderr], [], [], max(deadline - time.monotonic(), 0.0))
        more = os.read(process.stderr.fileno(), 65_536) if ready else b""
        if not more:
            process.kill()
            process.wait(_PATIENCE_S)
            process.stderr.close()
            raise AssertionError(f"the broker did not start: {said.decode(errors='replace')}")
        said += more
    return process


@dataclass
class Mosquitto:
    """One broker on 127.0.0.1; ``extra`` lines go into its configuration."""

    folder: Path
    extra: tuple[str, ...] = ()
    anonymous: bool = True
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / f"mosquitto-{self.port}.conf"
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'true' if self.anonymous else 'false'}",
            "persistence false",
            # Else Mosquitto, started by root, becomes another user, who can't read a test's folder.
            *(["user root"] if os.geteuid() == 0 else []),
            *LOGGING,
            "set_tcp_nodelay true",
            *self.extra,
        ]
        config.write_text("\n".join(lines) + "\n")
        self.process = run_broker(config)

    def stop(self, *, without_warning: bool = False) -> None:
        """End the broker; without warning it sends no last wills."""
        if self.process is not None:
            if without_warning:
                self.process.kill()
            self.process.terminate()
            self.process.wait(_PATIENCE_S)
            if self.process.stderr is not None:
                self.process.stderr.close()
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
