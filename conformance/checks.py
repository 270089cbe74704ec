"""The checks of the rig conformance kit: what each tests, why it matters and how to fix a rig that fails it.

Text only. `procedures` carries the checks out, and `kit` makes a report of the results. ``needs`` names the checks
that must pass first; otherwise this one is reported as not done.
"""

from __future__ import annotations

from typing import Final

from ebbset.conformance.check import Check
from ebbset.conformance.checks_by_hand import BY_HAND
from ebbset.conformance.checks_under_load import UNDER_LOAD
from ebbset.conformance.checks_without_load import WITHOUT_LOAD

__all__ = ["BY_NAME", "CATALOGUE", "Check"]

CATALOGUE: Final[tuple[Check, ...]] = (*WITHOUT_LOAD, *UNDER_LOAD, *BY_HAND)
BY_NAME: Final[dict[str, Check]] = {check.name: check for check in CATALOGUE}
