"""Telling systemd how the service is doing: datagrams to the socket that it names in the environment.

The protocol is that of sd_notify(3) (systemd's manual): lines ``NAME=VALUE`` to the address in ``NOTIFY_SOCKET``, an
abstract one when it begins with ``@``. Without such a variable nothing is sent, and nothing ever fails because of it.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Mapping

import structlog

_log = structlog.get_logger(__name__)


class ServiceManager:
    """The other end of ``Type=notify`` with ``WatchdogSec``.

    Args:
        environ: variables to read instead of those of this process.
    """

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        environ = os.environ if environ is None else environ
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address

    def ready(self, status: str) -> None:
        """The service serves, for the first time or after a reload.

        Args:
            status: one line for people.
        """
        self._send(f"READY=1\nSTATUS={status}")

    def reloading(self) -> None:
        """The settings are being read again."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1_000}")

    def alive(self, status: str) -> None:
        """A sign of life, for the watchdog.

        Args:
            status: one line for people.
        """
        self._send(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """The service ends in order."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out, contextlib.suppress(BlockingIOError):
            out.setblocking(False)
            try:
                out.sendto(text.encode(), self._address)
            except OSError as error:
                if isinstance(error, BlockingIOError):
                    raise
                _log.warning("service_manager_not_told", why=str(error))
