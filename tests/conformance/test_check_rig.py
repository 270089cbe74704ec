"""The conformance kit on itself: a good rig passes every check; each rig with one defect fails the right one."""

from __future__ import annotations

import json

import aiomqtt
import pytest

from ebbset.conformance import judgement as judge
from ebbset.conformance.checks import BY_NAME, CATALOGUE
from ebbset.conformance.kit import Report, Result, Status, check_rig, results_of
from ebbset.conformance.rig_client import RigClient
from ebbset.conformance.rig_heard import Heard
from ebbset.conformance.trial import Trial
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.rig_messages import SampleFrame
from ebbset.simulators.rig.defects import Defect
from tests.support.brokers import Mosquitto
from tests.support.rig_family import examine
from tests.support.wire_messages import FRAME

FOUND_BY: dict[Defect, str] = {
    Defect.LEASE_NEVER_EXPIRES: "lease_expires",
    Defect.LEASE_EXPIRES_LATE: "lease_expires_in_time",
    Defect.LEASE_EXPIRY_NOT_REPORTED: "lease_expiry_reported",
    Defect.LAPSES_SLOWLY: "lease_expiry_ramp",
    Defect.UNLOAD_RENEWS_NOTHING: "armed_kept_by_unloads",
    Defect.LEASE_STARTS_AT_LOAD: "armed_and_silent_lapses",
    Defect.LOCKED_AFTER_LAPSE: "armed_and_killed_is_free",
    Defect.ACCEPTS_FOREIGN_NONCE: "refuses_foreign_nonce",
    Defect.ACCEPTS_SPENT_NONCE: "refuses_spent_nonce",
    Defect.ACCEPTS_REPEATED_SEQUENCE: "refuses_repeated_sequence",
    Defect.ACCEPTS_STALE_CITATION: "refuses_stale_citation",
    Defect.ACCEPTS_FUTURE_CITATION: "refuses_future_citation",
    Defect.ACCEPTS_ABOVE_CEILING: "refuses_above_ceiling",
    Defect.ACCEPTS_BELOW_FLOOR: "refuses_below_floor",
    Defect.ACCEPTS_RISE_WHILE_UNDOCKED: "refuses_rise_undocked",
    Defect.ACCEPTS_STEEP_RAMP: "refuses_steep_ramp",
    Defect.ACCEPTS_LONG_LEASE: "refuses_long_lease",
    Defect.ACCEPTS_WRONG_CABLES: "refuses_wrong_cables",
    Defect.IGNORES_RAMP: "ramp_kept",
    Defect.STEPS_TO_ZERO: "unload_keeps_ramp",
    Defect.ARMING_LOADS: "arming_loads_nothing",
    Defect.UNLOAD_NEEDS_NONCE: "unload_by_any_nonce",
    Defect.UNLOAD_NEEDS_SEQUENCE: "unload_by_any_sequence",
    Defect.RELEASE_FORGETS_NOTHING: "release_ends_binding",
    Defect.STOP_NOT_LATCHED: "stop_latched",
    Defect.STOP_KEEPS_LOAD: "stop_unloads",
    Defect.STOP_NOT_REPORTED: "stop_reported",
    Defect.RESET_LOADS: "reset_loads_nothing",
    Defect.REBOOT_LOADS: "reboot_unloads",
    Defect.DOCKED_STUCK: "dock_is_true",
    Defect.RISES_WHEN_TAKEN: "taken_early_unloads",
    Defect.UNLOAD_SLOWS_DOWN: "unload_never_slows",
    Defect.LOAD_SAGS: "load_held",
    Defect.LOAD_CREEPS_UNSEEN: "force_held",
    Defect.LOAD_JUMPS: "load_without_jumps",
    Defect.DEAF_AFTER_NULL: "survives_nonsense",
    Defect.FORCE_IN_KILOGRAMS: "force_in_newtons",
    Defect.FORCE_OFFSET: "force_zero",
    Defect.FORCE_SIGN_REVERSED: "force_positive",
    Defect.FORCE_COMES_AND_GOES: "force_in_every_frame",
    Defect.VELOCITY_SIGN_REVERSED: "velocity_positive_outward",
    Defect.POSITION_SIGN_REVERSED: "position_grows_outward",
    Defect.APPLIED_IS_TARGET: "applied_is_measured",
    Defect.APPLIED_IN_KILOGRAMS: "load_reached",
    Defect.TIME_IN_MILLISECONDS: "clock_in_microseconds",
    Defect.TIME_RUNS_BACKWARDS: "time_increases",
    Defect.SEQUENCE_SKIPS: "sequence_without_gaps",
    Defect.SEQUENCE_REPEATS: "sequence_without_repeats",
    Defect.IRREGULAR_SAMPLING: "sampling_regular",
    Defect.SLOWER_THAN_ANNOUNCED: "sample_rate",
    Defect.UNKNOWN_FIELD: "messages_valid",
    Defect.NEVER_ACKS: "acknowledges",
    Defect.SLOW_ACKS: "acknowledges_in_time",
    Defect.NO_WILL: "will_says_offline",
    Defect.IDENTITY_NOT_RETAINED: "identity_retained",
    Defect.BOOT_ID_NEVER_CHANGES: "boot_id_changes",
}


def failed(report: Report) -> set[str]:
    return {result.check.name for result in report.results if result.status is Status.FAILED}


def test_a_good_rig_passes_every_check() -> None:
    report = examine()
    assert [(r.check.name, r.measured) for r in report.results if r.status is not Status.PASSED] == []
    assert report.conforms is True


def test_a_good_rig_that_segments_by_itself_passes_what_applies_to_it() -> None:
    report = examine(telemetry="repetitions")
    assert failed(report) == set()
    assert report.conforms is True
    assert report.count(Status.PASSED) >= 30
    assert report.count(Status.NOT_APPLICABLE) >= 10


@pytest.mark.parametrize("defect", Defect)
def test_a_defect_is_found_by_the_right_check_and_by_no_other(defect: Defect) -> None:
    report = examine(defect)
    assert failed(report) == {FOUND_BY[defect]}
    assert report.conforms is False


def test_the_catalogue_is_whole() -> None:
    assert len(CATALOGUE) >= 25
    assert len(BY_NAME) == len(CATALOGUE)
    assert set(FOUND_BY.values()) <= set(BY_NAME)
    before: set[str] = set()
    for check in CATALOGUE:
        assert set(check.needs) <= before, f"{check.name} is judged before what it needs"
        before.add(check.name)
        for text in (check.asks, check.why, check.fix):
            assert text.endswith("."), check.name
            assert len(text) > 20, check.name


def test_a_check_without_a_verdict_is_never_passed_and_the_report_says_how_to_mend() -> None:
    first, second, third = CATALOGUE[:3]
    report = Report(
        rig="north",
        identity=None,
        load_n=120.0,
        duration_s=1.0,
        results=(
            Result(first, Status.FAILED, "nothing retained"),
            Result(second, Status.PASSED, "fits"),
            Result(third, Status.NOT_DONE, "was not reached"),
        ),
    )
    assert report.conforms is False
    text = " ".join(report.as_text().split())
    for part in (first.why, first.fix, "nothing retained", "does NOT conform", "1 not done"):
        assert part in text
    assert second.fix not in text
    only_done = Report(rig="n", identity=None, load_n=1.0, duration_s=1.0, results=report.results[1:])
    assert only_done.conforms is False


def pull_at_half_a_metre_a_second(jump_at: int | None) -> list[Heard[SampleFrame]]:
    """Eight frames of one pull, 0.1 s apart; from ``jump_at`` on the rig's clock is 2 s behind."""
    frames = []
    for k in range(8):
        t_us = [10_000_000 + 100_000 * k + 50_000 * i for i in (0, 1)]
        position_m = [0.05 * k + 0.025 * i for i in (0, 1)]
        if jump_at is not None and k >= jump_at:
            t_us = [t - 2_000_000 for t in t_us]
        message = {
            **FRAME,
            "seq": k,
            "applied_n": [0.0],
            "t_us": t_us,
            "cables": [{"position_m": position_m, "velocity_m_s": [0.5, 0.5]}],
        }
        frames.append(Heard(0.1 * k, SampleFrame.model_validate_json(json.dumps(message))))
    return frames


@pytest.mark.parametrize("jump_at", [None, *range(1, 8)])
async def test_velocity_is_judged_only_where_time_increases_wherever_the_clock_jumps(jump_at: int | None) -> None:
    frames = pull_at_half_a_metre_a_second(jump_at)
    trial = Trial(RigClient(aiomqtt.Client("127.0.0.1"), "bench"), BrokerSettings(), None, 120.0)
    for check in CATALOGUE:
        if not check.name.startswith(("velocity_", "position_")):
            trial.book.write(check.name, check.name != "time_increases" or jump_at is None, "set by this test")
    judge.pull(trial.book, [], frames, 0.35)
    # The arithmetic itself does fall for the jump: it is the catalogue that must keep it from being a verdict.
    assert trial.book.passed("velocity_fits_position") is (jump_at is None)
    statuses = {result.check.name: result.status for result in results_of(trial, by_hand=True)}
    expected = Status.PASSED if jump_at is None else Status.NOT_DONE
    assert statuses["velocity_fits_position"] is expected
    assert statuses["velocity_positive_outward"] is expected
    assert statuses["position_in_metres"] is Status.PASSED


@pytest.mark.broker
async def test_a_rig_that_is_not_there_passes_nothing(broker: Mosquitto) -> None:
    report = await check_rig("nobody-home", BrokerSettings(port=broker.port))
    assert report.count(Status.PASSED) == 0
    assert report.conforms is False
