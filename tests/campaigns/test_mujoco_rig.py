"""Check of the rig against MuJoCo, an independent physics engine: traces within 1 % RMS in three scenes."""

from __future__ import annotations

import numpy as np
import pytest

from campaigns.references.mujoco_rig import SCENES, compare
from ebbset.models.contract.rig_messages import RigEventKind

EXPIRES_AT_MS = {"free fall caught by the lease": 160}


@pytest.mark.parametrize("name", SCENES)
def test_position_and_force_agree_within_one_percent(name: str) -> None:
    found = compare(SCENES[name])
    assert found.position_error <= 0.01
    assert found.force_error <= 0.01
    # The scene is what its name says: things move, and the watchdog acts in both where it should and only there.
    assert np.ptp(found.theirs[:, 0]) > 0.25
    expired = [(EXPIRES_AT_MS[name], RigEventKind.LEASE_EXPIRED)] if name in EXPIRES_AT_MS else []
    assert list(found.our_events) == list(found.their_events) == expired


def test_a_rig_that_differs_by_a_tenth_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    from campaigns.references import mujoco_rig

    model = mujoco_rig.MODEL.replace('mass="3.0"', 'mass="3.3"')
    assert model != mujoco_rig.MODEL
    monkeypatch.setattr(mujoco_rig, "MODEL", model)
    found = compare(SCENES["free fall caught by the lease"])
    assert max(found.position_error, found.force_error) > 0.01
