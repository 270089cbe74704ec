"""Fixtures that more than one test module uses."""

from __future__ import annotations

import pytest
from sessions import Pair, auto_drop_order, auto_drop_session

from ebbset.models.prescription import Prescription


@pytest.fixture(scope="session")
def session() -> list[Pair]:
    """A whole set as handled: inputs with their outputs."""
    return auto_drop_session()


@pytest.fixture
def auto_drop() -> Prescription:
    """An invented auto-drop prescription."""
    return auto_drop_order()
