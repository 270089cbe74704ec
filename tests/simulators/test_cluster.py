"""Work on a cluster: the same bits as here, whoever dies meanwhile, and a clear word when there is no cluster."""

from __future__ import annotations

import itertools
import pickle
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import dask
import pytest
from distributed import Client

from ebbset.coaching.compare import Population, jobs, run_job, with_policy
from ebbset.console.app import COMMANDS, cli, run
from ebbset.models.contract.prescription import Prescription
from ebbset.simulators.closed_loop import cluster
from ebbset.simulators.closed_loop.cluster import ClusterError, versions, work
from ebbset.simulators.closed_loop.parallel import mapping
from tests.support.commands import PROFILE, ROW, run_command
from tests.support.dask_cluster import PATIENCE_S, held, tcp_cluster

BASE = Prescription.model_validate(
    {
        "name": "Drops",
        "exercise": "bench_press",
        "load": {"start_n": 100.0, "floor_n": 50.0},
        "stop": {"max_drops": 1, "max_repetitions": 4, "max_duration_s": 60.0},
    }
)
CONDITIONS = [with_policy(BASE, text) for text in ("fixed_fraction:fraction=0.2", "fixed_fraction:fraction=0.35")]
LIFTERS = 12


def lifters() -> Iterator[Any]:
    return jobs(CONDITIONS, Population(LIFTERS, seed=6))


def told(rows: Any) -> bytes:
    return pickle.dumps(rows)


def test_the_same_bits_over_tcp_whichever_worker_dies_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", PATIENCE_S)
    here = [told(rows) for rows in map(run_job, lifters())]
    connect: Any = Client
    with tcp_cluster(tmp_path, workers=2) as found:
        with mapping(cluster=found.address) as mapper, connect(found.address, set_as_default=False) as watching:
            # The first result comes at once, the others when one of the workers has died over them.
            gates = itertools.chain([tmp_path], itertools.repeat(tmp_path / "gate"))
            results = mapper(held, zip(gates, lifters(), strict=False))
            there = [told(next(results))]
            doomed = found.workers[0]
            until_s = time.monotonic() + PATIENCE_S
            while not found.busy(watching).get(doomed.pid):
                assert time.monotonic() < until_s
                time.sleep(0.05)
            _kill([doomed])
            (tmp_path / "gate").touch()
            there += [told(rows) for rows in results]
            assert len(watching.nthreads()) == 1
            assert there == here
            with pytest.raises(ZeroDivisionError):
                list(mapper((1).__truediv__, [1, 0]))

        # A lost scheduler is waited for as long as a new one, so here the patience with a loaded machine is shorter.
        monkeypatch.setattr(cluster, "CONNECT_S", 20.0)
        monkeypatch.setattr(cluster, "PATIENCE_S", 1.0)
        with pytest.raises(ClusterError, match=r"has had no worker for 1 s; allowed: one or more"):
            _all_after(found.address, lambda: _kill(found.workers))
        with pytest.raises(ClusterError, match="went away"):
            _all_after(found.address, lambda: _kill([found.scheduler]))


def _all_after(address: str, happens: Callable[[], None]) -> None:
    with mapping(cluster=address) as mapper:
        happens()
        list(mapper(run_job, lifters()))


def _kill(processes: list[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        process.kill()
        process.wait()


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("tcp://127.0.0.1:1", "no Dask scheduler answers at 'tcp://127.0.0.1:1' ("),
        ("tcp://nobody.invalid:8786", "no Dask scheduler answers at 'tcp://nobody.invalid:8786' ("),
        ("nonsense", "is 'nonsense'; allowed: tcp://HOST:PORT"),
        ("http://127.0.0.1:80", "is 'http://127.0.0.1:80'; allowed: tcp://HOST:PORT"),
        ("tcp://127.0.0.1", "is 'tcp://127.0.0.1'; allowed: tcp://HOST:PORT"),
        ("tcp://127.0.0.1:99999", "is 'tcp://127.0.0.1:99999'; allowed: tcp://HOST:PORT"),
    ],
)
def test_an_address_without_a_scheduler_is_named(
    address: str, why: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a7.toml").write_text(PROFILE)
    code, out, err = run_command(capsys, "plan", "a7.toml", "--minutes", "2", "--twins", "4", "--dask", address)
    assert (code, out) == (4, "")
    assert why in err
    assert "Traceback" not in err


@pytest.mark.parametrize(("says", "why"), [(b"SSH-2.0-OpenSSH_9.2\r\n", "something else listens"), (b"", "timed out")])
def test_what_is_no_scheduler_is_told_from_one(says: bytes, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 4253, 4.2: a secure shell begins with its version."""
    monkeypatch.setattr(cluster, "CONNECT_S", 0.2 if not says else 30.0)
    kept: list[socket.socket] = []

    def answer(server: socket.socket) -> None:
        kept.append(server.accept()[0])
        kept[0].sendall(says)

    with socket.create_server(("127.0.0.1", 0)) as server:
        answering = threading.Thread(target=answer, args=(server,))
        answering.start()
        with pytest.raises(ClusterError, match=why), mapping(cluster=f"tcp://127.0.0.1:{server.getsockname()[1]}"):
            pass
        answering.join()
        kept[0].close()


@pytest.mark.parametrize("speaks_tls", [False, True])
def test_a_silent_port_is_told_from_an_encrypted_scheduler(
    speaks_tls: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Path(__file__).parents[2] / "examples" / "mosquitto" / "certificates.sh"
    subprocess.run(["sh", str(made), str(tmp_path), "localhost", "127.0.0.1"], check=True, capture_output=True)
    authority, chain, key = (str(tmp_path / name) for name in ("ca.crt", "broker.crt", "broker.key"))
    monkeypatch.setattr(cluster, "CONNECT_S", 0.5)
    kept: list[socket.socket] = []

    def accept(server: socket.socket) -> None:
        kept.append(server.accept()[0])
        if speaks_tls:
            context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
            context.load_cert_chain(chain, key)
            kept.append(context.wrap_socket(kept.pop(), server_side=True))

    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tls://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(ClusterError, match=r"\(it names none\); allowed: ca-file, client.cert and client.key"):
            cluster.Cluster(address)
        own = {"ca-file": authority, "client.cert": chain, "client.key": key}
        accepting = threading.Thread(target=accept, args=(server,), daemon=True)
        accepting.start()
        with (
            dask.config.set({f"distributed.comm.tls.{name}": path for name, path in own.items()}),
            pytest.raises(ClusterError, match=r"no Dask scheduler answers at 'tls://.*timed out"),
        ):
            cluster.Cluster(address)
        accepting.join()
        kept[0].close()


def test_without_the_extra_its_name_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    Path(tmp_path / "row.toml").write_text(ROW)
    arguments = ["compare", str(tmp_path / "row.toml"), "--policy", "fixed_fraction", "--policy", "fixed_fraction"]
    assert run([*arguments, "--dask", "tcp://127.0.0.1:1"]) == 5
    assert "needs distributed, which is not installed; pip install 'ebbset[study]'" in capsys.readouterr().err


def test_a_worker_of_other_versions_or_without_a_module_is_refused() -> None:
    payload = pickle.dumps((abs, (-3,)))
    assert pickle.loads(work(payload, versions())) == 3
    with pytest.raises(ClusterError, match=r"a worker has numpy .* \(here 0\.1\); allowed: the same versions"):
        work(payload, versions() | {"numpy": "0.1"})
    elsewhere = b"cnobody_has_this\nfunction\n."
    with pytest.raises(ClusterError, match=r"cannot load what it is to run .*nobody_has_this"):
        work(elsewhere, versions())


LONG = ("compare", "plan", "evaluate", "validate", "session plan", "study rehearse", "study power")


@pytest.mark.parametrize("name", LONG)
def test_whatever_takes_minutes_takes_a_cluster_and_a_number_of_processes(name: str) -> None:
    command: Any = cli
    for part in name.split():
        command = command.get_command(None, part)
    options = {option for parameter in command.params for option in parameter.opts}
    assert {"--dask", "--workers"} <= options
    assert name.split()[0] in COMMANDS
