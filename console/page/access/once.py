"""Forms that act once: each carries a token that is spent when the form is sent, so a repeated request does nothing.

Pure but for the tokens: the time is passed in.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

LIVES_S: Final = 900.0
"""Long enough to show the cautions to a lifter and talk about them (our judgement)."""
MOST: Final = 2_000


class Once:
    """Tokens that were given out and are not spent.

    Args:
        now_s: a monotonic clock, s.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._open: OrderedDict[str, tuple[str, float]] = OrderedDict()

    def new(self, about: str) -> str:
        """A new token.

        Args:
            about: what it is good for.
        """
        token = secrets.token_urlsafe(16)
        self._open[token] = (about, self._now_s())
        while len(self._open) > MOST:
            self._open.popitem(last=False)
        return token

    def spend(self, token: str | None, about: str) -> bool:
        """Spend a token; false for one that is spent, too old, or good for something else.

        Args:
            token: from the form.
            about: what is to be done.
        """
        known = self._open.pop(token or "", None)
        return known is not None and known[0] == about and self._now_s() - known[1] < LIVES_S
