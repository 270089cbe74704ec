"""How long a site waits before it begins again what has failed: a worker, or the service of one rig."""

from __future__ import annotations

from typing import Final

FIRST_S: Final = 0.5
LAST_S: Final = 30.0


def restart_delay_s(failures: int) -> float:
    """Twice as long after each failure, up to a limit.

    Args:
        failures: in a row, 1 or more.
    """
    return min(FIRST_S * 2.0 ** (failures - 1), LAST_S)
