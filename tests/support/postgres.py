"""A PostgreSQL of the test's own: a new cluster in a folder, reached by a socket in it, quick and kept by nobody.

PostgreSQL refuses to run as root, so root starts it as the user whom Debian's package makes for it.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import select
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg

QUICK = ("fsync=off", "full_page_writes=off", "listen_addresses=", "max_connections=50")
"""Nothing here survives the machine, but a commit survives the server: one that is stopped at once would lose what
`synchronous_commit=off` told as committed."""
_PATIENCE_S = 120.0


def _program(name: str) -> str:
    """A program of PostgreSQL; Debian keeps those of each version in a folder outside PATH."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda one: int(one.parent.name), reverse=True)
    found = shutil.which(name) or next((str(f / name) for f in folders if (f / name).is_file()), None)
    assert found is not None, "these tests need a PostgreSQL (Debian: apt-get install postgresql)"
    return found


def _as_somebody() -> dict[str, Any]:
    if os.geteuid() != 0:
        return {}
    who = pwd.getpwnam("postgres")
    return {"user": who.pw_uid, "group": who.pw_gid, "extra_groups": []}


@dataclass
class Postgres:
    """A running cluster; each call of `new_database` gives the URL of an empty database."""

    folder: Path
    command: tuple[str, ...] = ()
    server: subprocess.Popen[bytes] | None = None
    _numbers: Iterator[int] = field(default_factory=itertools.count)

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def url(self, database: str) -> str:
        return f"postgresql://postgres@/{database}?host={self.folder}"

    def start(self) -> None:
        """Start the server and wait until it takes connections."""
        self.server = subprocess.Popen(self.command, cwd=self.folder, stderr=subprocess.PIPE, **_as_somebody())
        _wait_until_ready(self.server)

    def stop(self) -> None:
        """Stop the server at once; every connection breaks, and what was committed stays."""
        assert self.server is not None
        assert self.server.stderr is not None
        self.server.send_signal(signal.SIGQUIT)
        # A full pipe would keep it from ending.
        self.server.communicate(timeout=_PATIENCE_S)

    def new_database(self) -> str:
        name = f"store{next(self._numbers)}"
        with psycopg.connect(self.url("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.url(name)


@contextlib.contextmanager
def postgres() -> Iterator[Postgres]:
    """A cluster for the time of a ``with``. Its folder is not pytest's, which only the user of the tests may enter."""
    with tempfile.TemporaryDirectory(prefix="ebbset-pg-") as name:
        cluster, somebody = Postgres(Path(name)), _as_somebody()
        if somebody:
            os.chown(name, somebody["user"], somebody["group"])
        initdb = [_program("initdb"), "-D", str(cluster.data), "-U", "postgres", "-A", "trust", "--no-sync"]
        made = subprocess.run(
            [*initdb, "-E", "UTF8", "--locale=C"], cwd=name, capture_output=True, text=True, check=False, **somebody
        )
        assert made.returncode == 0, made.stderr
        settings = [part for setting in (*QUICK, f"unix_socket_directories={name}") for part in ("-c", setting)]
        cluster.command = (_program("postgres"), "-D", str(cluster.data), *settings)
        try:
            cluster.start()
            yield cluster
        finally:
            cluster.stop()


def _wait_until_ready(server: subprocess.Popen[bytes]) -> None:
    assert server.stderr is not None
    said, deadline = b"", time.monotonic() + _PATIENCE_S
    while b"ready to accept connections" not in said:
        ready, _, _ = select.select([server.stderr], [], [], max(deadline - time.monotonic(), 0.0))
        more = os.read(server.stderr.fileno(), 65_536) if ready else b""
        assert more, f"PostgreSQL did not start: {said.decode(errors='replace')}"
        said += more
