"""Logging of the console's processes: to standard error, readable at a terminal, JSON elsewhere."""

from __future__ import annotations

import logging
import sys

import structlog

from ebbset.controller.service.log_context import add_rig_and_set


def configure(*, quiet: bool = False) -> None:
    """Set structlog up for this process.

    Args:
        quiet: log warnings and errors only.
    """
    people = sys.stderr.isatty()
    structlog.configure(
        processors=[
            add_rig_and_set,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="%H:%M:%S" if people else "iso", utc=not people),
            structlog.dev.ConsoleRenderer() if people else structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING if quiet else logging.INFO),
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
    )
