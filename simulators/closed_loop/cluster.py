"""Work on a Dask cluster: the same results as here, whichever worker does it and whichever dies meanwhile.

Function and items travel as bytes, so that Dask looks into neither. Dask gives the work of a worker that died to
another; since all randomness is in the items, it comes to the same. A worker with other versions than ours is refused,
because its last bits might differ.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import logging
import pickle
import platform
import re
import socket
import ssl
import time
from collections.abc import Callable
from concurrent.futures import CancelledError
from dataclasses import dataclass
from functools import cache
from types import TracebackType
from typing import Any, Final, Self

PATIENCE_S: Final = 30.0
"""How long a cluster may be without any worker, since one that died is started again, or another joins."""
_ADDRESS: Final = re.compile(r"(?:tcp|tls)://(?P<host>\[[0-9a-fA-F:.]+\]|[^:/\[\]]+):(?P<port>[0-9]{1,5})")
_LONGEST_HELLO: Final = 1 << 20
LOOK_S: Final = 2.0
CONNECT_S: Final = 5.0


class ClusterError(RuntimeError):
    """The cluster cannot be used, or was lost; says why and what helps."""


@cache
def versions() -> dict[str, str]:
    """What the bits of a result depend on, by name."""
    found = {name: importlib.metadata.version(name) for name in ("ebbset", "numba", "numpy", "scipy")}
    return {"python": ".".join(platform.python_version_tuple()[:2]), **found}


def work(payload: bytes, expected: dict[str, str]) -> bytes:
    """What a worker does: the pickled value of a pickled call.

    Args:
        payload: pickled function and arguments.
        expected: versions of the client.

    Raises:
        ClusterError: this worker has other versions, or lacks a module.
    """
    mine = versions()
    if mine != expected:
        unlike = [name for name in mine if mine[name] != expected.get(name)]
        apart = ", ".join(f"{name} {mine[name]} (here {expected.get(name)})" for name in unlike)
        raise ClusterError(f"a worker has {apart}; allowed: the same versions, or results would not be the same bits")
    try:
        function, arguments = pickle.loads(payload)
    except (ImportError, AttributeError) as error:
        raise ClusterError(
            f"a worker cannot load what it is to run ({error}); allowed: workers with the same packages installed"
        ) from None
    return pickle.dumps(function(*arguments))


def _knock(address: str) -> None:
    """Find out that somebody listens, before the library tries for long.

    Raises:
        ClusterError: no such address, or nobody there.
    """
    parts = _ADDRESS.fullmatch(address)
    if parts is None or not 0 < int(parts["port"]) < 65536:
        raise ClusterError(
            f"the address of the Dask scheduler is {address!r}; allowed: tcp://HOST:PORT, tls://HOST:PORT"
        )
    host = parts["host"].strip("[]")
    context = _tls_context(address) if address.startswith("tls:") else None
    try:
        with (
            socket.create_connection((host, int(parts["port"])), timeout=CONNECT_S) as plain,
            plain if context is None else context.wrap_socket(plain, server_hostname=host) as found,
            found.makefile("rb") as said,
        ):
            # A scheduler speaks first, and begins with the length of what it says. For something that never speaks the
            # library would wait without end, and what speaks otherwise it would take for a length.
            if int.from_bytes(said.read(8), "little") > _LONGEST_HELLO:
                raise OSError("something else listens there")
    except (OSError, UnicodeError) as error:
        raise _unanswered(address, error) from None


def _tls_context(address: str) -> ssl.SSLContext:
    """With what the library would encrypt and verify the connection.

    Args:
        address: of the scheduler, for the error.

    Raises:
        ClusterError: Dask's configuration names no certificates, or they cannot be read.
    """
    from distributed.security import Security

    try:
        configured: Any = Security
        context = configured().get_connection_args("client")["ssl_context"]
        if isinstance(context, ssl.SSLContext):
            return context
        why = "it names none"
    except (OSError, ValueError) as error:
        why = str(error)
    raise ClusterError(
        f"the certificates for {address!r} cannot be used ({why}); allowed: ca-file, client.cert and client.key under "
        "distributed.comm.tls in Dask's configuration"
    )


def _unanswered(address: str, error: BaseException) -> ClusterError:
    return ClusterError(
        f"no Dask scheduler answers at {address!r} ({error}); allowed: the address of one that runs (dask scheduler)"
    )


@dataclass(frozen=True, slots=True)
class _Answer:
    future: Any
    cluster: Cluster

    def result(self) -> Any:
        """Wait for the value, as long as there is a cluster.

        Raises:
            ClusterError: it was lost.
        """
        from distributed import KilledWorker

        while True:
            try:
                return pickle.loads(self.future.result(timeout=LOOK_S))
            except TimeoutError:
                self.cluster.check()
            except KilledWorker:
                raise ClusterError(
                    f"the same work ended several workers of {self.cluster.address}, perhaps for want of memory; "
                    "their logs say more"
                ) from None
            except (CancelledError, OSError) as error:
                raise self.cluster.lost(error) from None
            except ModuleNotFoundError as error:
                raise ClusterError(
                    f"a worker of {self.cluster.address} lacks {error.name}; allowed: workers with ebbset installed"
                ) from None


class Cluster:
    """A Dask cluster that takes work like a process pool.

    Args:
        address: of its scheduler, such as ``tcp://host:8786``.

    Raises:
        ClusterError: no scheduler answers there.
        ModuleNotFoundError: ``distributed`` is not installed.
    """

    def __init__(self, address: str) -> None:
        import distributed

        self.address = address
        _knock(address)
        # A lost connection is told by the error of this module; the library would log it too, with tracebacks.
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        connect: Any = distributed.Client
        try:
            self._client = connect(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise _unanswered(address, error) from None
        self._count, self._looked_s = 0, -LOOK_S
        self._seen_s = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        with contextlib.suppress(TimeoutError):  # what is not let go by then ends with this process
            self._client.close(timeout=LOOK_S)

    def submit(self, fn: Callable[..., Any], /, *args: Any) -> _Answer:
        """Start ``fn(*args)`` on a worker.

        Args:
            fn: importable by name on the workers.
            *args: its arguments.

        Raises:
            ClusterError: the scheduler was lost.
        """
        payload = pickle.dumps((fn, args))
        try:
            return _Answer(self._client.submit(work, payload, versions(), pure=False), self)
        except (CancelledError, OSError) as error:
            raise self.lost(error) from None

    def workers(self) -> int:
        """Threads of all workers that there are now.

        Raises:
            ClusterError: the scheduler was lost.
        """
        if time.monotonic() - self._looked_s >= LOOK_S:
            try:
                self._count = sum(self._client.nthreads().values())
            except (CancelledError, OSError, TimeoutError) as error:
                raise self.lost(error) from None
            self._looked_s = time.monotonic()
            if self._count:
                self._seen_s = self._looked_s
        return self._count

    def check(self) -> None:
        """Find out whether there is somebody to wait for.

        Raises:
            ClusterError: no worker for too long, or the scheduler was lost.
        """
        if self.workers() == 0 and time.monotonic() - self._seen_s > PATIENCE_S:
            raise ClusterError(
                f"the Dask scheduler at {self.address} has had no worker for {PATIENCE_S:g} s; allowed: one or more "
                f"(dask worker {self.address})"
            )

    def lost(self, error: BaseException) -> ClusterError:
        """The error that says that the scheduler is gone.

        Args:
            error: how that was noticed.
        """
        return ClusterError(f"the Dask scheduler at {self.address} went away ({error})")
