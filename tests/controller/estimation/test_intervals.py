"""What is told of an estimate is what the estimator knows, whole or not at all, and no interval leaves what can be."""

from __future__ import annotations

import dataclasses
import json

import pytest

from ebbset.controller.estimation.capacity import CapacityEstimator
from ebbset.controller.estimation.intervals import EstimatedFigure, Estimates, estimates_of
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.controller.recording.replay import Verdict, replay
from ebbset.models.contract.constants import INTERVAL_COVERAGE
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.load_velocity import generic_line
from tests.support.kinematic_rig import POLICIES
from tests.support.older_recordings import recorded
from tests.support.sessions import Pair


def told(*velocities_m_s: float, load_n: float = 400.0, stall: bool = False) -> tuple[CapacityEstimator, Estimates]:
    it = CapacityEstimator(line=generic_line("row"), one_rm_n=None, exercise="row", generic=True)
    for v in velocities_m_s:
        outcome = RepetitionOutcome.COMPLETED
        it.repetition(load_n=load_n, mean_velocity_m_s=v, outcome=outcome, load_changed=False)
    if stall:
        it.stall(load_n=load_n)
    return it, estimates_of(it)


def test_nothing_is_told_while_nothing_is_known() -> None:
    assert estimates_of(told()[0]) == Estimates(
        EstimatedFigure(), EstimatedFigure(), EstimatedFigure(), EstimatedFigure()
    )
    assert not EstimatedFigure().holds(0.0)


def test_each_interval_is_as_wide_as_its_deviation_says() -> None:
    """1.2816 standard deviations on either side hold 80 % of a normal distribution (standard tables)."""
    assert INTERVAL_COVERAGE == 0.80
    it, found = told(0.7, 0.66, 0.63)
    fresh_n, fresh_sd_n = it.fresh_n or 0.0, it.fresh_sd_n or 0.0
    assert found.one_rm_n.value == fresh_n > 0.0
    assert found.one_rm_n.high == pytest.approx(fresh_n + 1.2816 * fresh_sd_n)
    assert found.one_rm_n.low == pytest.approx(fresh_n - 1.2816 * fresh_sd_n)
    assert found.capacity_n.high == pytest.approx((it.capacity_n or 0.0) + 1.2816 * (it.capacity_sd_n or 0.0))
    assert (found.reserve.low, found.reserve.high) == it.reserve_interval
    assert found.reserve.value == it.repetitions_in_reserve


@pytest.mark.parametrize("stall", [False, True])
@pytest.mark.parametrize("velocities", [(0.9,), (0.7, 0.66, 0.63), (0.3, 0.2, 0.16), (0.05,)])
def test_every_interval_holds_its_figure_and_stays_within_what_can_be(
    velocities: tuple[float, ...], stall: bool
) -> None:
    _, found = told(*velocities, stall=stall)
    for one in (found.one_rm_n, found.capacity_n, found.reserve, found.budget_spent):
        assert one.value is not None
        assert one.holds(one.value)
        assert (one.low or 0.0) >= 0.0
    assert (found.budget_spent.high or 2.0) <= 1.0


def test_the_ends_belong_to_an_interval() -> None:
    one = EstimatedFigure(2.0, 1.0, 3.0)
    assert [one.holds(x) for x in (0.99, 1.0, 3.0, 3.01)] == [False, True, True, False]
    assert not dataclasses.replace(one, low=None).holds(2.0)


def test_a_report_on_the_wire_bears_every_estimate_with_its_interval(session: list[Pair]) -> None:
    """Anybody's evaluation reads it there: the figure and both ends, in order, in the message and in the recording."""
    found = [output for _, outputs in session for output in outputs if isinstance(output, RepetitionRecord)]
    sent = [json.loads(codec.to_wire(record)[1]) for record in found]
    assert len(sent) >= 4
    for message, record in zip(sent, found, strict=True):
        for name, end in (("one_rm", "_n"), ("capacity", "_n"), ("repetitions_in_reserve", ""), ("budget_spent", "")):
            low, middle, high = (message[f"{name}{part}{end}"] for part in ("_low", "", "_high"))
            assert low <= middle <= high, name
        again = codec.from_json("repetition_record", codec.to_json(record))
        assert {name: getattr(again, name) for name in message.keys() - {"version"}} == {
            name: getattr(record, name) for name in message.keys() - {"version"}
        }
    assert len({message["one_rm_n"] for message in sent}) > 1, "they are estimates of the moment, not of the set"


def test_a_recording_that_lacks_them_replays_alike(session: list[Pair], monkeypatch: pytest.MonkeyPatch) -> None:
    later = tuple(field.name for field in dataclasses.fields(RepetitionRecord))
    later = later[later.index("one_rm_n") :]
    recording = recorded(session, monkeypatch, *later)
    assert replay(recording, POLICIES).verdict is Verdict.SAME
    assert {name for item in recording.handled for names in item.lacking for name in names} == set(later)
