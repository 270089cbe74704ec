"""Fixtures that more than one test module uses."""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import chain, islice

import pytest
import structlog
from hypothesis import HealthCheck, settings

from ebbset.models.contract.prescription import Prescription
from tests.support.brokers import Mosquitto, mosquitto
from tests.support.sessions import Pair, auto_drop_order, auto_drop_session

# No test depends on how fast the machine is: the first draw of a process may take a second on a busy one.
settings.register_profile("suite", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("suite")

LONGEST = (
    "test_walkthrough.py",
    "test_evaluate.py",
    "test_faults.py",
    "test_rig_commands.py",
    "test_mosquitto.py",
    "test_invariants_stateful.py",
)
"""Modules with a test or a fixture that takes long, the longest first, waiting and computing by turns."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest modules, dealt out to the workers in turn, so that none is left for the end.

    Workers take equal parts of the list and steal from the end of one another's, so what stands at the beginning of a
    part starts at once and its fixture is made by one worker only.
    """
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    longest = [[item for item in items if item.path.name == name] for name in LONGEST]
    rest = iter([item for item in items if item.path.name not in LONGEST])
    size = -(-len(items) // workers)
    ordered: list[pytest.Item] = []
    for worker in range(workers):
        ordered += chain.from_iterable(longest[worker::workers])
        ordered += islice(rest, max((worker + 1) * size - len(ordered), 0))
    items[:] = [*ordered, *rest]


@pytest.fixture(autouse=True)
def logging_of_its_own() -> Iterator[None]:
    """A command run inside a test sets logging up for its own standard error, which is gone after it."""
    yield
    structlog.reset_defaults()


@pytest.fixture(scope="session")
def session() -> list[Pair]:
    """A whole set as handled: inputs with their outputs."""
    return auto_drop_session()


@pytest.fixture
def auto_drop() -> Prescription:
    """An invented auto-drop prescription."""
    return auto_drop_order()


@pytest.fixture(scope="session")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A Mosquitto for tests that leave it as it is; each uses a rig name of its own."""
    with mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield running


@pytest.fixture(scope="session")
def compiled_rig() -> None:
    """The simulator is compiled before any connection is open: that may take longer than a broker waits for a sign."""
    # Here, since only these tests need the simulator.
    from ebbset.simulators.lifter.exercises import exercise
    from ebbset.simulators.population.population import draw_lifter, person_rng
    from ebbset.simulators.rig.virtual_rig import VirtualRig, VirtualRigSettings

    VirtualRig(VirtualRigSettings(rig="compiled", lifter=draw_lifter(exercise("row"), person_rng(1, 0))))
