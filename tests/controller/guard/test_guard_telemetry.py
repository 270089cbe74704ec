"""What the guard takes for telemetry, each bound alone: figures, times, numbers of messages, and the dock.

The bounds are written out here, not taken from the contract, so that a bound that changes is seen.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from ebbset.controller.guard.telemetry import Telemetry, can_be
from ebbset.controller.messages.events import Acknowledged, RepetitionSeen, RigAnnounced, Samples
from ebbset.models.contract.rig_messages import RepetitionOutcome
from tests.support.guard_bench import BOOT, NONCE, announced

LATEST_US = 2**62
LAST_SEQUENCE = 2**53
BY_FRAMES = announced()
BY_REPETITIONS = announced(telemetry="repetitions")

FRAME = Samples(
    now_us=7,
    boot_id=BOOT,
    seq=1,
    nonce=None,
    docked=True,
    applied_n=(100.0,),
    t_us=(1_000, 2_000),
    position_m=((0.5, 0.5),),
    velocity_m_s=((0.1, 0.1),),
    force_n=((200.0, 200.0),),
)
ACK = Acknowledged(
    now_us=8,
    boot_id=BOOT,
    nonce=NONCE,
    command_seq=1,
    t_us=1_000,
    accepted=True,
    refusal=None,
    applied_n=(100.0,),
    docked=True,
)
SUMMARY = RepetitionSeen(
    now_us=9,
    boot_id=BOOT,
    seq=1,
    nonce=NONCE,
    docked=True,
    applied_n=(100.0,),
    t_start_us=500,
    t_end_us=1_000,
    outcome=RepetitionOutcome.COMPLETED,
    rom_m=(0.5,),
    mean_velocity_m_s=(0.4,),
    peak_velocity_m_s=(0.6,),
    mean_force_n=(None,),
)
COLUMNS = (
    ("velocity_m_s", -12.0, 12.0),
    ("position_m", -1.0, 6.0),
    ("force_n", -200.0, 10_000.0),
)


def known(*messages: Samples | Acknowledged | RepetitionSeen, rig: RigAnnounced | None = None) -> Telemetry:
    """Telemetry after these messages.

    Args:
        messages: in the order in which they came.
        rig: as announced; None: one that sends what the first message is.
    """
    it = Telemetry()
    rig = rig or (BY_FRAMES if isinstance(messages[0], Samples) else BY_REPETITIONS)
    for message in messages:
        if isinstance(message, Samples):
            it.see_samples(message, rig)
        elif isinstance(message, Acknowledged):
            it.see_ack(message, rig)
        else:
            it.see_repetition(message, rig)
    return it


def facts(it: Telemetry) -> tuple[int | None, int, bool, tuple[float, ...]]:
    """Newest sample, its arrival, the dock and the applied load."""
    return it.newest_t_us, it.arrived_us, it.docked, it.applied_n


NOTHING = facts(Telemetry())


def counts(
    message: Samples | Acknowledged | RepetitionSeen, rig: RigAnnounced | None = None, /, **changes: Any
) -> bool:
    """Whether anything is known after this message.

    Args:
        message: the only one.
        rig: as for `known`.
        changes: figures of the message that differ.
    """
    return facts(known(replace(message, **changes), rig=rig)) != NOTHING


def test_before_any_message_nothing_is_known_and_the_handle_is_not_in_the_dock() -> None:
    assert NOTHING == (None, 0, False, ())


def test_a_good_message_is_taken_in_with_the_time_at_which_it_arrived() -> None:
    assert facts(known(FRAME)) == (2_000, 7, True, (100.0,))
    assert facts(known(ACK)) == (1_000, 8, True, (100.0,))
    assert facts(known(SUMMARY)) == (None, 0, True, (100.0,)), "a summary is no sign of life"


# --- bounds ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("column", "least", "most"), COLUMNS)
def test_a_sample_is_within_the_bounds_of_the_contract(column: str, least: float, most: float) -> None:
    for value in (least, most):
        assert counts(FRAME, **{column: ((value, 0.0),)})
    for value in (math.nextafter(least, -math.inf), math.nextafter(most, math.inf), math.nan, math.inf, -math.inf):
        for values in ((value, 0.0), (0.0, value)):
            assert not counts(FRAME, **{column: (values,)})


@pytest.mark.parametrize("message", [FRAME, ACK, SUMMARY])
def test_an_applied_load_is_within_the_bounds_of_the_contract_and_of_each_cable(message: Any) -> None:
    for load_n in (0.0, 5_000.0):
        assert known(replace(message, applied_n=(load_n,))).applied_n == (load_n,)
    wrong: tuple[tuple[float, ...], ...] = ((-5e-324,), (5_000.1,), (math.nan,), (), (100.0, 100.0))
    for applied_n in wrong:
        assert not counts(message, applied_n=applied_n)


@pytest.mark.parametrize(
    ("field", "least", "most"),
    [
        ("rom_m", 0.0, 4.0),
        ("mean_velocity_m_s", -12.0, 12.0),
        ("peak_velocity_m_s", -12.0, 12.0),
        ("mean_force_n", -200.0, 10_000.0),
    ],
)
def test_a_summary_is_within_the_bounds_of_the_contract_and_of_each_cable(
    field: str, least: float, most: float
) -> None:
    for value in (least, most):
        assert counts(SUMMARY, **{field: (value,)})
    for values in (
        (math.nextafter(least, -math.inf),),
        (math.nextafter(most, math.inf),),
        (math.nan,),
        (),
        (0.1, 0.1),
    ):
        assert not counts(SUMMARY, **{field: values})


@pytest.mark.parametrize(
    ("times", "good"),
    [
        ((0, LATEST_US), True),
        ((0, 0), True),
        ((LATEST_US, LATEST_US), True),
        ((-1, 5), False),
        ((5, LATEST_US + 1), False),
        ((LATEST_US + 1, LATEST_US + 1), False),
        ((6, 5), False),
    ],
)
def test_times_are_those_of_a_rigs_clock_in_their_order(times: tuple[int, int], good: bool) -> None:
    assert counts(FRAME, t_us=times) is good
    assert counts(SUMMARY, t_start_us=times[0], t_end_us=times[1]) is good
    if times[0] == times[1]:
        assert counts(ACK, t_us=times[0]) is good


@pytest.mark.parametrize("t_us", [-1, LATEST_US + 1, 10**400])
def test_an_acknowledgement_or_a_report_at_a_time_that_no_rig_has_says_nothing(t_us: int) -> None:
    assert not counts(ACK, t_us=t_us)
    it = Telemetry()
    it.see_dock(t_us, docked=True)
    assert facts(it) == NOTHING


@pytest.mark.parametrize("t_us", [0, LATEST_US])
def test_a_report_at_the_first_or_last_time_of_a_rig_counts(t_us: int) -> None:
    it = Telemetry()
    it.see_dock(t_us, docked=True)
    assert it.docked


@pytest.mark.parametrize("message", [FRAME, SUMMARY])
def test_messages_are_numbered_from_0_to_the_last_number_and_each_counts_once(message: Any) -> None:
    for seq, good in ((-1, False), (0, True), (LAST_SEQUENCE, True), (LAST_SEQUENCE + 1, False)):
        assert counts(message, seq=seq) is good
    later: Any = (
        replace(FRAME, t_us=(3_000, 4_000), applied_n=(50.0,))
        if message is FRAME
        else replace(SUMMARY, t_end_us=2_000, applied_n=(50.0,))
    )
    for seq, applied_n in ((0, (100.0,)), (1, (100.0,)), (2, (50.0,))):
        assert known(message, replace(later, seq=seq)).applied_n == applied_n


def test_a_message_that_is_not_good_uses_up_no_number() -> None:
    good = replace(FRAME, t_us=(3_000, 4_000))
    assert known(replace(FRAME, seq=5, applied_n=()), good).newest_t_us == 4_000
    assert known(replace(SUMMARY, seq=5, applied_n=()), SUMMARY).applied_n == (100.0,)


# --- two cables -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["position_m", "velocity_m_s", "force_n"])
def test_every_cable_has_a_column_of_its_own(column: str) -> None:
    rig = announced(cables=2)
    both = replace(
        FRAME,
        applied_n=(100.0, 90.0),
        **{name: getattr(FRAME, name) * 2 for name in ("position_m", "velocity_m_s", "force_n")},
    )
    assert known(both, rig=rig).applied_n == (100.0, 90.0)
    one, _ = getattr(both, column)
    for columns in ((one,), (one, one, one), (one, (math.nan, 0.0)), ((math.nan, 0.0), one)):
        assert not counts(both, rig, **{column: columns})


def test_a_position_is_never_missing_a_velocity_may_be_and_a_force_where_none_was_announced() -> None:
    assert not counts(FRAME, position_m=(None,))
    assert counts(FRAME, velocity_m_s=(None,))
    assert not counts(FRAME, force_n=(None,))
    assert counts(FRAME, announced(has_force=False), force_n=(None,))


# --- what is older --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("t_us", "applied_n"), [(999, (100.0,)), (1_000, (50.0,)), (1_001, (50.0,))])
def test_what_is_applied_is_what_the_newest_message_says(t_us: int, applied_n: tuple[float, ...]) -> None:
    assert known(ACK, replace(ACK, t_us=t_us, applied_n=(50.0,))).applied_n == applied_n
    assert known(ACK, replace(SUMMARY, t_end_us=t_us, applied_n=(50.0,))).applied_n == applied_n


@pytest.mark.parametrize(
    ("t_us", "docked", "expected"),
    [
        (999, True, False),
        (1_000, True, False),
        (1_001, True, True),
        (999, False, False),
    ],
)
def test_a_docking_counts_only_when_it_is_newer_than_all_that_is_known(t_us: int, docked: bool, expected: bool) -> None:
    it = known(replace(ACK, docked=False))
    it.see_dock(t_us, docked=docked)
    assert it.docked is expected


@pytest.mark.parametrize(("t_us", "expected"), [(999, True), (1_000, False), (1_001, False)])
def test_an_undocking_counts_from_the_same_moment_on(t_us: int, expected: bool) -> None:
    it = known(ACK)
    it.see_dock(t_us, docked=False)
    assert it.docked is expected


def test_of_two_answers_of_the_same_moment_the_one_that_says_undocked_counts() -> None:
    taken = replace(ACK, docked=False)
    assert not known(taken, ACK).docked
    assert not known(ACK, taken).docked


@pytest.mark.parametrize(("t_us", "expected"), [(4_999, False), (5_000, False), (5_001, True)])
def test_a_sample_docks_a_handle_only_after_the_last_that_was_known_of_the_dock(t_us: int, expected: bool) -> None:
    it = known(replace(ACK, docked=False))
    it.see_dock(5_000, docked=False)
    it.see_ack(replace(ACK, t_us=t_us), BY_REPETITIONS)
    assert it.newest_t_us == t_us
    assert it.docked is expected
    it.see_dock(5_000, docked=True)
    assert it.docked is expected, "what was known of the dock is not forgotten for an older sample"


# --- what a rig can be ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("cables", (1, 2), (0, 3, -1)),
        ("max_load_n", (5e-324, 1, 5_000.0), (0.0, -1.0, 5_000.1, math.nan, math.inf)),
        ("min_load_n", (0.0, 500.0), (-5e-324, 500.1, math.nan)),
        ("sample_rate_hz", (0.0, 2_000.0), (-5e-324, 2_000.1, math.nan)),
        ("max_ramp_n_per_s", (1.0, 100_000.0), (0.999, 100_000.1, math.nan)),
        ("max_lease_ms", (100, 5_000), (99, 5_001, 10**400)),
    ],
)
def test_a_rig_can_be_what_the_contract_allows(field: str, good: tuple[float, ...], bad: tuple[float, ...]) -> None:
    for value in good:
        assert can_be(announced(**{field: value}))
    for value in bad:
        assert not can_be(announced(**{field: value}))
