"""Logins kept on the server: a random token in the browser's cookie, and what it stands for here.

A login ends for good twelve hours after it began, or half an hour after its last request. What needs more than looking
ends earlier: half an hour after the last thing that the person did, so that an unattended tablet cannot arm, while a
screen that shows a set goes on showing it. Pure but for the tokens: the time is passed in.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from typing import Final

from ebbset.console.page.access.people import PagePeople, Role

UNUSED_S: Final = 1_800.0
"""Without any request or stream (our judgement)."""
IDLE_S: Final = 1_800.0
"""Without anything done, for what needs more than looking (our judgement)."""
LONGEST_S: Final = 12 * 3_600.0
"""One working day (our judgement)."""
MOST: Final = 256
"""Logins kept; beyond, the one that was unused longest ends."""


@dataclass(slots=True)
class Login:
    """One login of one person.

    Attributes:
        key: what the cookie's token hashes to; shown to nobody.
        name: who.
        role: what the person may do.
        csrf: token that every form of this login carries.
        begun_s: monotonic clock, s.
        used_s: when a request last came, s.
        acted_s: when the person last did something, s.
        address: where it began.
    """

    key: str
    name: str
    role: Role
    csrf: str
    begun_s: float
    used_s: float
    acted_s: float
    address: str

    def over(self, now_s: float) -> bool:
        """Whether it has ended by itself.

        Args:
            now_s: monotonic clock, s.
        """
        return now_s - self.begun_s >= LONGEST_S or now_s - self.used_s >= UNUSED_S

    def may(self, needed: Role, now_s: float) -> bool:
        """Whether it may now do what needs a role.

        Args:
            needed: the least role that may.
            now_s: monotonic clock, s.
        """
        if needed is Role.OBSERVER:
            return True
        return self.role.covers(needed) and now_s - self.acted_s < IDLE_S


@dataclass(slots=True)
class Logins:
    """All logins of one run of the page."""

    _by_key: dict[str, Login] = field(default_factory=dict)

    def begin(self, name: str, role: Role, address: str, now_s: float) -> tuple[str, Login]:
        """Begin a login.

        Args:
            name: who.
            role: what the person may do.
            address: where from.
            now_s: monotonic clock, s.

        Returns:
            the token for the cookie, and the login.
        """
        self._forget(now_s)
        while len(self._by_key) >= MOST:
            del self._by_key[min(self._by_key.values(), key=lambda login: login.used_s).key]
        token = secrets.token_urlsafe(32)
        login = Login(_key(token), name, role, secrets.token_urlsafe(32), now_s, now_s, now_s, address)
        self._by_key[login.key] = login
        return token, login

    def find(self, token: str | None, people: PagePeople, now_s: float) -> Login | None:
        """The login of a token, if it still holds; one of a person who is gone or has another role ends here.

        Args:
            token: from the cookie.
            people: who may log in now.
            now_s: monotonic clock, s.
        """
        login = self._by_key.get(_key(token)) if token else None
        if login is None:
            return None
        person = people.people.get(login.name)
        if login.over(now_s) or person is None or person.role is not login.role:
            self.end(login)
            return None
        login.used_s = now_s
        return login

    def end(self, login: Login) -> None:
        """End a login.

        Args:
            login: which.
        """
        self._by_key.pop(login.key, None)

    def end_named(self, handle: str) -> Login | None:
        """End the login with a handle, as `handle_of` gives it; None when there is none.

        Args:
            handle: as shown on the page.
        """
        found = next((one for one in self._by_key.values() if handle_of(one) == handle), None)
        if found is not None:
            self.end(found)
        return found

    def all(self, now_s: float) -> list[Login]:
        """Those that still hold, the newest first.

        Args:
            now_s: monotonic clock, s.
        """
        self._forget(now_s)
        return sorted(self._by_key.values(), key=lambda login: -login.begun_s)

    def holds(self, login: Login, now_s: float) -> bool:
        """Whether a login found earlier still holds; for streams, which outlive the request that opened them.

        Args:
            login: which.
            now_s: monotonic clock, s.
        """
        if self._by_key.get(login.key) is not login or login.over(now_s):
            return False
        login.used_s = now_s
        return True

    def _forget(self, now_s: float) -> None:
        for login in [one for one in self._by_key.values() if one.over(now_s)]:
            self.end(login)


def handle_of(login: Login) -> str:
    """A name for a login that may be shown, since its token cannot be told from it."""
    return hashlib.sha256(f"shown {login.key}".encode()).hexdigest()[:16]


def same(given: str | None, expected: str) -> bool:
    """Whether two tokens are the same, in a time that tells nothing.

    Args:
        given: from a request.
        expected: ours.
    """
    return given is not None and hmac.compare_digest(given.encode(), expected.encode())


def _key(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
