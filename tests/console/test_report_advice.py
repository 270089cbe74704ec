"""What is advised for the next set rests on what was recorded of this one."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from ebbset.coaching.next_set import HALF_TIMES_S, RECOVERED_LOSS, advice, loss_after, rest_range_s
from ebbset.controller.recording.recorded_set import RecordedSet
from ebbset.models.contract.profile import Uncertain
from ebbset.models.physiology.fatigue import JOINTS


def test_the_advised_rest_brings_the_loss_down_to_what_it_says() -> None:
    shoulder = JOINTS["shoulder"]
    assert HALF_TIMES_S[0] == pytest.approx(math.log(2) / (15 * shoulder.recovery_per_s), abs=0.6)
    low_s, high_s = rest_range_s(0.4)
    # Three halvings take 40 % to 5 %.
    assert low_s == pytest.approx(3 * HALF_TIMES_S[0])
    assert loss_after(0.4, low_s)[0] == pytest.approx(RECOVERED_LOSS)
    assert loss_after(0.4, high_s)[1] <= RECOVERED_LOSS
    assert rest_range_s(0.04) == (0.0, 0.0)


def test_the_next_start_load_is_below_this_one_and_within_its_range(item: RecordedSet) -> None:
    found = next(a for a in advice(item) if a.about == "Start load")
    low, high = (float(x) for x in re.findall(r"From ([\d.]+) kg to ([\d.]+) kg", found.because)[0])
    assert low <= float(found.answer.removesuffix(" kg")) <= high <= 84.0


def test_a_profile_far_from_what_the_set_shows_is_doubted(item: RecordedSet) -> None:
    assert item.profile is not None
    fresh_n = item.fresh_n()
    assert fresh_n is not None

    def doubted(mean_n: float, sd_n: float) -> bool:
        profile = (
            item.profile.model_copy(update={"one_rm_n": Uncertain(mean=mean_n, sd=sd_n)}) if item.profile else None
        )
        return any(a.about == "Profile" for a in advice(replace(item, profile=profile)))

    assert not doubted(fresh_n, 10.0)
    assert doubted(1.5 * fresh_n, 10.0)
    assert not doubted(1.5 * fresh_n, 0.5 * fresh_n)


def test_a_set_without_repetitions_is_not_advised_upon(item: RecordedSet) -> None:
    assert [a.answer for a in advice(replace(item, repetitions=(), result=None))] == ["cannot be said"]
