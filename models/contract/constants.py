"""Constants that several rooms share, each with its source."""

from __future__ import annotations

from typing import Final

RENEWALS_PER_LEASE: Final = 4
"""Whoever commands a rig renews a lease this often within its length; the contract asks for three at least."""
UNLOADED_N: Final = 1.0
"""A rig that says it applies at most this counts as unloaded; judgement, above the rounding of any load cell."""
INTERVAL_COVERAGE: Final = 0.80
"""Every interval that is shown or promised holds the truth this often."""
Z_INTERVAL: Final = 1.2816
"""Standard normal quantile of an interval of `INTERVAL_COVERAGE`: 0.9 one-sided (standard tables)."""
