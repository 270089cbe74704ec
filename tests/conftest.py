"""Fixtures that more than one test module uses."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

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
    """Begin with the longest modules, every other one in the second of two workers, so that none is left for the end.

    Workers take equal parts of the list and steal from the end of one another's, so what stands at the beginning of a
    part starts at once and its fixture is made by one worker only.
    """
    longest = [[item for item in items if item.path.name == name] for name in LONGEST]
    first, second = (list(chain.from_iterable(longest[k::2])) for k in (0, 1))
    rest = [item for item in items if item.path.name not in LONGEST]
    before_half = max(0, len(items) // 2 - len(first))
    items[:] = [*first, *rest[:before_half], *second, *rest[before_half:]]


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
