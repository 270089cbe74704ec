"""Rows that one report of a site stands for. Never here: what a message means; that is in `coaching.collecting`."""

from __future__ import annotations

from dataclasses import dataclass

from ebbset.coaching.history.rows.set_rows import Row


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReport:
    """Rows that one message stands for.

    Attributes:
        report: of `tables.ReportEntry`; None for a message about health.
        done: of `tables.ReportedSet`, for a result.
        health: of `tables.SiteHealth`.
    """

    report: Row | None = None
    done: Row | None = None
    health: Row | None = None
