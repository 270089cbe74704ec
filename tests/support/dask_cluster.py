"""A real Dask cluster over TCP: a scheduler and workers, each a process of its own, as a person starts them."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ebbset.coaching.compare import Row, run_job

PATIENCE_S = 300.0
ROOT = Path(__file__).parents[2]


class TcpCluster:
    """A scheduler with no workers yet.

    Args:
        folder: for scratch files.
    """

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as found:
            port = found.getsockname()[1]
        self._folder = folder
        self.address = f"tcp://127.0.0.1:{port}"
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._started("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")

    def _started(self, *arguments: str) -> subprocess.Popen[bytes]:
        with (self._folder / "dask.log").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "dask", *arguments],
                cwd=self._folder,
                env=os.environ | {"PYTHONPATH": str(ROOT)},
                stdout=log,
                stderr=subprocess.STDOUT,
            )

    def add_worker(self) -> subprocess.Popen[bytes]:
        """Start a worker of one thread that nobody starts again."""
        options = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--memory-limit", "0")
        worker = self._started("worker", self.address, *options)
        self.workers.append(worker)
        return worker

    def busy(self, client: Any) -> dict[int, int]:
        """Process -> pieces of work that it has been given.

        Args:
            client: a Dask client.
        """
        given = client.processing()
        pids = client.run(os.getpid)
        return {pids[address]: len(keys) for address, keys in given.items()}

    def close(self) -> None:
        """End every process."""
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


def _listening(address: str) -> bool:
    host, port = address.removeprefix("tcp://").split(":")
    try:
        socket.create_connection((host, int(port)), timeout=5).close()
    except OSError:
        return False
    return True


def held(job: tuple[Path, Any]) -> list[Row]:
    """One lifter's sets, once a file is there.

    Args:
        job: the file, and the lifter.
    """
    gate, lifter = job
    until_s = time.monotonic() + PATIENCE_S
    while not gate.exists():
        assert time.monotonic() < until_s
        time.sleep(0.01)
    return run_job(lifter)


@contextmanager
def tcp_cluster(folder: Path, workers: int) -> Iterator[TcpCluster]:
    """Run a cluster while the block runs.

    Args:
        folder: for scratch files.
        workers: how many to wait for.
    """
    from distributed import Client

    cluster = TcpCluster(folder)
    try:
        for _ in range(workers):
            cluster.add_worker()
        until_s = time.monotonic() + PATIENCE_S
        while not _listening(cluster.address):
            assert time.monotonic() < until_s, (folder / "dask.log").read_text()
            time.sleep(0.1)
        connect: Any = Client
        with connect(cluster.address, timeout=PATIENCE_S, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=PATIENCE_S)
        yield cluster
    finally:
        cluster.close()
