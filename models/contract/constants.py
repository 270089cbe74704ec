"""Constants that several rooms share, each with its source."""

from __future__ import annotations

from typing import Final

KEEPALIVE_S: Final = 5
"""MQTT keepalive of every client: how soon a broker publishes the will of one that is gone (judgement)."""
RENEWALS_PER_LEASE: Final = 4
"""Whoever commands a rig renews a lease this often within its length; the contract asks for three at least."""
ACKNOWLEDGED_WITHIN_S: Final = 2
"""How long a rig may take to answer an arming; it should be 250 ms, and whoever asked waits for it (judgement)."""
LONGEST_REQUEST_AGE_S: Final = 10
"""A person who looked longer ago than this may no longer know what they ask for (judgement)."""
UNLOADED_N: Final = 1.0
"""A rig that says it applies at most this counts as unloaded; judgement, above the rounding of any load cell."""
INTERVAL_COVERAGE: Final = 0.80
"""Every interval that is shown or promised holds the truth this often."""
Z_INTERVAL: Final = 1.2816
"""Standard normal quantile of an interval of `INTERVAL_COVERAGE`: 0.9 one-sided (standard tables)."""
