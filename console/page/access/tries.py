"""Limited tries to log in: after a few failures each further one must wait, twice as long each time.

Failures count for a name and for an address by themselves, so that neither one name tried from many places nor many
names tried from one place goes fast. The wait for a name is short, since whoever knows it could otherwise lock its
owner out. Pure: the time is passed in.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Final

FREE: Final = 5
"""Failures that cost nothing: people mistype (our judgement)."""
LONGEST_FOR_NAME_S: Final = 30.0
LONGEST_FOR_ADDRESS_S: Final = 900.0
FORGOTTEN_AFTER_S: Final = 3_600.0
MOST: Final = 4_096
"""Names and addresses remembered; beyond, the ones that failed longest ago are forgotten."""


class Tries:
    """Failures by name and by address."""

    def __init__(self) -> None:
        self._failures: OrderedDict[tuple[str, str], tuple[int, float]] = OrderedDict()

    def wait_s(self, name: str, address: str, now_s: float) -> float:
        """How long the next try must still wait, s; 0 when it may go ahead.

        Args:
            name: who is tried.
            address: where from.
            now_s: a monotonic clock, s.
        """
        return max(
            self._wait_s(("name", name), LONGEST_FOR_NAME_S, now_s),
            self._wait_s(("address", address), LONGEST_FOR_ADDRESS_S, now_s),
        )

    def _wait_s(self, key: tuple[str, str], longest_s: float, now_s: float) -> float:
        count, last_s = self._failures.get(key, (0, now_s))
        if count < FREE or now_s - last_s > FORGOTTEN_AFTER_S:
            return 0.0
        return max(last_s + min(2.0 ** min(count - FREE, 20), longest_s) - now_s, 0.0)

    def failed(self, name: str, address: str, now_s: float) -> None:
        """Note a failure; a try is noted before it is checked.

        Args:
            name: who was tried.
            address: where from.
            now_s: a monotonic clock, s.
        """
        for key in (("name", name), ("address", address)):
            count, last_s = self._failures.pop(key, (0, now_s))
            self._failures[key] = ((0 if now_s - last_s > FORGOTTEN_AFTER_S else count) + 1, now_s)
        while len(self._failures) > MOST:
            self._failures.popitem(last=False)

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of a name, and the one of its address that was counted for this try.

        Earlier failures of the address stay, or one good name would open the way to others.

        Args:
            name: who logged in.
            address: where from.
        """
        self._failures.pop(("name", name), None)
        count, last_s = self._failures.pop(("address", address), (0, 0.0))
        if count > 1:
            self._failures[("address", address)] = (count - 1, last_s)
