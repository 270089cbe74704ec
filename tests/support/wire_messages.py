"""Valid messages of a rig as plain data, for tests that bend them."""

from __future__ import annotations

from typing import Any

IDENTITY: dict[str, Any] = {
    "version": 1,
    "rig": "bench",
    "boot_id": "boot-0001",
    "online": True,
    "cables": 1,
    "telemetry": "frames",
    "sample_rate_hz": 100.0,
    "has_force": True,
    "max_load_n": 1500.0,
    "min_load_n": 20.0,
    "max_ramp_n_per_s": 2000.0,
    "max_lease_ms": 1000,
    "firmware": "test",
}
FRAME: dict[str, Any] = {
    "version": 1,
    "boot_id": "boot-0001",
    "seq": 7,
    "nonce": None,
    "docked": False,
    "applied_n": [400.0, 380.0],
    "t_us": [1000, 2000],
    "cables": [
        {"position_m": [0.1, 0.2], "velocity_m_s": [0.5, 0.6], "force_n": [401.0, 399.0]},
        {"position_m": [0.3, 0.4]},
    ],
}
