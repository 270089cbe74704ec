"""One check of the rig conformance kit: what it asks, why that matters and how to fix a rig that fails it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Check:
    """One named check. ``frames_only`` marks those that do not apply to a rig without sample frames."""

    name: str
    asks: str
    why: str
    fix: str
    needs: tuple[str, ...] = ()
    frames_only: bool = False
