"""The short form of `make site`: light rigs on a real service over a real Mosquitto, with every kind of trouble."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from campaigns.site.accounts import settle
from campaigns.site.campaign import run_site
from tests.support.sessions import PATIENT

pytestmark = pytest.mark.broker


def test_a_site_with_faults_is_counted_alike_on_the_wire_in_recordings_store_and_metrics(tmp_path: Path) -> None:
    # Leases longer than `make site` has them, since a machine that runs the suite lets programs wait.
    run = asyncio.run(run_site(tmp_path, rigs=6, workers=2, seconds=25.0, seed=1, safety=PATIENT))
    settle(run)
    assert run.tally.problems == []
    faults, facts = run.tally.faults, run.tally.facts
    assert faults["worker: SIGKILL"] == faults["worker: SIGSTOP"] == faults["settings: broken"] == 1
    assert faults["settings: rig added"] == 2
    assert faults["settings: rig removed"] == 2
    assert sum(count for name, count in faults.items() if name.startswith("rig: ")) >= 1
    assert facts["sets in the store"] >= run.tally.sets >= 6
    assert facts["scrapes"] >= 5
    assert len(run.tally.unloaded_s) == 2
