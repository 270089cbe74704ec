"""Tries to log in, logins, forms that act once, and the age of data: pure rules with a clock passed in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ebbset.console.page.access.logins import MOST as MOST_LOGINS
from ebbset.console.page.access.logins import Logins, handle_of, same
from ebbset.console.page.access.once import LIVES_S, Once
from ebbset.console.page.access.people import PagePeople, PagePerson, Role
from ebbset.console.page.access.tries import FREE, LONGEST_FOR_ADDRESS_S, LONGEST_FOR_NAME_S, MOST, Tries
from ebbset.console.page.rigs.freshness import DRIFT, Freshness
from tests.support.page_calls import Clock


def test_the_wait_doubles_and_is_longer_for_an_address_than_for_a_name() -> None:
    tries = Tries()
    waits = []
    for _ in range(FREE + 8):
        tries.failed("anna", "192.0.2.1", 100.0)
        waits.append(tries.wait_s("anna", "192.0.2.9", 100.0))
    assert waits == [0.0] * (FREE - 1) + [1.0, 2.0, 4.0, 8.0, 16.0] + [LONGEST_FOR_NAME_S] * 4
    for _ in range(20):
        tries.failed("anna", "192.0.2.1", 100.0)
    assert tries.wait_s("bert", "192.0.2.1", 100.0) == LONGEST_FOR_ADDRESS_S
    assert tries.wait_s("bert", "192.0.2.2", 100.0) == 0.0
    assert tries.wait_s("anna", "192.0.2.2", 100.0 + LONGEST_FOR_NAME_S) == 0.0


def test_a_login_clears_the_name_but_not_what_its_address_failed_before() -> None:
    tries = Tries()
    for _ in range(FREE + 3):
        tries.failed("anna", "192.0.2.1", 0.0)
    tries.succeeded("anna", "192.0.2.1")
    assert tries.wait_s("anna", "192.0.2.2", 0.0) == 0.0
    assert tries.wait_s("anna", "192.0.2.1", 0.0) > 0.0


def test_what_is_remembered_of_failures_is_bounded() -> None:
    tries = Tries()
    for k in range(2 * MOST):
        tries.failed(f"n{k}", f"a{k}", float(k))
    assert len(tries._failures) == MOST  # noqa: SLF001 - nothing else shows that it does not grow


def test_logins_are_bounded_and_the_one_unused_longest_ends() -> None:
    logins, people = Logins(), PagePeople(people={"a": PagePerson(role=Role.COACH, password="$argon2id$x")})
    tokens = [logins.begin("a", Role.COACH, "192.0.2.1", float(k))[0] for k in range(MOST_LOGINS + 1)]
    assert logins.find(tokens[0], people, 300.0) is None
    assert logins.find(tokens[1], people, 300.0) is not None
    assert len(logins.all(300.0)) == MOST_LOGINS


def test_a_new_role_ends_the_logins_of_the_old_one_and_a_handle_tells_no_token() -> None:
    logins, people = Logins(), PagePeople(people={"a": PagePerson(role=Role.COACH, password="$argon2id$x")})
    token, login = logins.begin("a", Role.COACH, "192.0.2.1", 0.0)
    assert handle_of(login) not in (login.key, token)
    assert logins.find(token + "x", people, 1.0) is None
    assert logins.find(None, people, 1.0) is None
    less = PagePeople(people={"a": PagePerson(role=Role.OBSERVER, password="$argon2id$x")})
    assert logins.find(token, less, 1.0) is None
    assert logins.find(token, people, 1.0) is None, "it does not come back"
    assert same("x", "x")
    assert not same(None, "x")
    assert not same("ü", "x")


def test_a_form_acts_once_in_its_time_and_for_its_rig() -> None:
    clock = Clock()
    once = Once(clock)
    first, second, third = once.new("north"), once.new("north"), once.new("north")
    assert once.spend(first, "north")
    assert not once.spend(first, "north")
    assert not once.spend(second, "south")
    assert not once.spend(second, "north"), "a wrong try spends it"
    clock.now_s += LIVES_S
    assert not once.spend(third, "north")
    assert not once.spend(None, "north")


def test_a_message_that_was_long_on_the_way_is_old_when_it_comes() -> None:
    fresh = Freshness()
    assert fresh.age_s(0.0) is None
    for k in range(10):
        fresh.take(100.0 + k, 5.0 + k)
    assert fresh.age_s(14.0) == pytest.approx(0.0)
    fresh.take(110.0, 18.0)
    assert fresh.age_s(18.0) == pytest.approx(3.0, abs=0.01)
    assert fresh.age_s(18.5) == pytest.approx(3.5, abs=0.01)
    fresh.take(114.0, 19.0)
    assert fresh.age_s(19.0) == pytest.approx(0.0, abs=0.01), "the way is quick again"


def test_a_sender_that_was_started_anew_is_believed_again() -> None:
    fresh = Freshness()
    fresh.take(5_000.0, 1.0)
    fresh.take(3.0, 2.0)
    assert fresh.age_s(2.0) == 0.0
    fresh.forget()
    assert fresh.age_s(3.0) is None


@given(st.floats(-0.5, 0.5), st.lists(st.floats(0.0, 0.2), min_size=2, max_size=60))
def test_clocks_that_drift_within_the_tolerance_never_make_data_old(drift: float, ways: list[float]) -> None:
    """A day of half-hourly messages between clocks that run apart by up to 100 parts in a million."""
    fresh = Freshness()
    for k, way_s in enumerate(ways):
        sent_s = 1_800.0 * k * (1 + drift * DRIFT)
        fresh.take(sent_s, 1_800.0 * k + way_s)
        assert 0.0 <= fresh.late_s <= 0.2 + 1e-6 + abs(drift) * DRIFT * 1_800.0
