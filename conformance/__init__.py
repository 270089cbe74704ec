"""Floor 3: tests any rig, real or virtual, against the wire contract, and identifies its motor and cable.

May import controller and models: a rig is judged from the outside only.
"""

from __future__ import annotations

from ebbset.conformance.identification.identify import identify
from ebbset.conformance.identification.quantities import RigAccess
from ebbset.conformance.kit import Report

__all__ = ["Report", "RigAccess", "identify"]
