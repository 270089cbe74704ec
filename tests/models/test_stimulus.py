"""The worth of a repetition: its assumptions, the trials it is compared with, and its ranges."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ebbset.coaching.assumptions import as_markdown, draw_assumptions, prior_draws, report_draws
from ebbset.coaching.worth import UNKNOWN_FATIGUE, done_of, set_worth, worth_again
from ebbset.controller.messages.actions import RepetitionRecord
from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.models.physiology.stimulus import (
    ASSUMPTIONS,
    DROP_ADVANTAGE,
    FAILURE_ADVANTAGE,
    FIRST_FORM,
    LONG_REST_S,
    REST_ADVANTAGES,
    SECOND_FORM,
    SHORT_REST_S,
    STRAIGHT_GROWTH,
    TRIAL_REST_S,
    Done,
    Draws,
    counted_worth,
    drop_set_worth,
    log_likelihood,
    moved_by,
    paper_set,
    rest_pause_over_straight,
    straight_sets_worth,
    worth,
)

PAGE = Path(__file__).parents[2] / "docs" / "worth.md"


def fixed(n: int = 1, **changes: float) -> Draws:
    values = {
        "failure_advantage": 0.19,
        "growth": 0.437,
        "compared_reserve": 3.5,
        "fatigue_exponent": 1.0,
        "failed_worth": 0.5,
        "reserve_z": 0.0,
        "fatigue_z": 0.0,
        "proximity_form": FIRST_FORM,
        "fatigue_form": FIRST_FORM,
    } | changes
    return Draws.of({name: np.full(n, value) for name, value in values.items()})


def done(reserve: list[float], fatigue: list[float], completed: list[bool] | None = None, sd: float = 0.0) -> Done:
    n = len(reserve)
    return Done(
        reserve=np.array(reserve, dtype=float),
        reserve_sd=np.full(n, sd),
        fatigue=np.array(fatigue, dtype=float),
        fatigue_sd=np.full(n, sd),
        completed=np.array([True] * n if completed is None else completed),
    )


def record(index: int, **changes: object) -> RepetitionRecord:
    base: dict[str, object] = {
        "nonce": "nonce0001",
        "index": index,
        "bout": 0,
        "step": 0,
        "cable": 0,
        "outcome": RepetitionOutcome.COMPLETED,
        "load_n": 400.0,
        "t_start_us": index * 3_000_000,
        "t_end_us": index * 3_000_000 + 1_500_000,
        "rom_m": 0.5,
        "mean_velocity_m_s": 0.5,
        "peak_velocity_m_s": 0.7,
        "min_velocity_m_s": 0.3,
        "mean_force_n": 400.0,
        "capacity_n": 600.0 * 0.97**index,
        "capacity_sd_n": 24.0,
        "budget_spent": 1.0 - 0.97**index,
        "budget_sd": 0.04,
    }
    return RepetitionRecord(**(base | changes))  # type: ignore[arg-type]


def test_one_repetition_by_hand() -> None:
    decay = -math.log(1.0 - 0.19 / 0.437) / 3.5
    got = worth(fixed(), done([0, 2, 0, 0], [0.0, 0.0, 0.4, 0.4], [True, True, True, False]))[0]
    assert got == pytest.approx([1.0, math.exp(-2 * decay), 0.6, 0.3])


def test_stopping_short_keeps_what_the_meta_analysis_says_it_keeps() -> None:
    """Refalo et al. 2023 (0.19 of growth) over Sødal et al. 2023 (0.437), with and without equal repetitions.

    Their pool mixes trials that equated volume with trials that did not, so what is kept must lie between the two.
    """
    kept = 1.0 - FAILURE_ADVANTAGE.mean / STRAIGHT_GROWTH.mean
    whole = worth(fixed(fatigue_exponent=0.0), done(list(range(9, -1, -1)), [0.0] * 10))[0]
    short = whole[: -int(3.5)]
    not_equated = short.sum() / whole.sum()
    equated = short.mean() / whole.mean()
    assert not_equated < kept < equated
    assert (not_equated, equated) == pytest.approx((0.52, 0.74), abs=0.005)


def test_the_two_forms_agree_where_the_trials_speak_and_differ_elsewhere() -> None:
    kept = 1.0 - 0.19 / 0.437
    reserves, tired = done([0.0, 3.5, 7.0], [0.0] * 3), done([0.0] * 3, [0.0, 0.3, 0.6])
    first, second = worth(fixed(), reserves)[0], worth(fixed(proximity_form=SECOND_FORM), reserves)[0]
    assert first == pytest.approx([1.0, kept, kept**2])
    assert second == pytest.approx([1.0, kept, 1.0 - 2.0 * (1.0 - kept)])
    power = worth(fixed(fatigue_exponent=2.0), tired)[0]
    line = worth(fixed(fatigue_exponent=2.0, fatigue_form=SECOND_FORM), tired)[0]
    assert power == pytest.approx([1.0, 0.49, 0.16])
    assert line == pytest.approx([1.0, 0.4, 0.0])
    far = done([30.0], [0.0])
    assert worth(fixed(proximity_form=SECOND_FORM), far)[0] == pytest.approx([0.0])


def test_stopping_short_may_have_done_more_as_the_published_interval_allows() -> None:
    """Refalo et al. 2023: 0.19 (0.00 to 0.37) for set failure, 0.12 (-0.13 to 0.37) for momentary failure.

    A normal with that mean and interval lies below zero in 2.2 % of draws; nothing cuts them off.
    """
    draws = prior_draws(np.random.default_rng(3), 20_000)
    share = np.mean(draws.kept > 1.0)
    assert share == pytest.approx(np.mean(draws.failure_advantage < 0.0))
    assert share == pytest.approx(0.022, abs=0.004)
    after = draw_assumptions(np.random.default_rng(3), 4_000)
    assert 0.0 < np.mean(after.kept > 1.0) < 0.05


def test_every_site_of_the_meta_analysis_of_rests_counts() -> None:
    """Singer et al. 2024: arm 0.13, thigh 0.17, and whole body -0.08 (-0.45 to 0.29), which points the other way."""
    assert [found.mean for found in REST_ADVANTAGES] == [0.13, 0.17, -0.08]
    assert (REST_ADVANTAGES[2].low, REST_ADVANTAGES[2].high) == (-0.45, 0.29)
    costly, cheap = fixed(fatigue_exponent=3.0), fixed(fatigue_exponent=0.0)

    def gain(draws: Draws) -> float:
        short, long = straight_sets_worth(draws, 3, SHORT_REST_S), straight_sets_worth(draws, 3, LONG_REST_S)
        return float((draws.growth * (1.0 - short / long))[0])

    drops = {
        name: d.growth * (drop_set_worth(d, 3) / straight_sets_worth(d, 3, TRIAL_REST_S) - 1.0)
        for name, d in (("costly", costly), ("cheap", cheap))
    }
    by_hand = {
        name: -0.5 * ((drops[name][0] - DROP_ADVANTAGE.mean) / DROP_ADVANTAGE.sd) ** 2
        - 0.5 * sum(((gain(d) - found.mean) / found.sd) ** 2 for found in REST_ADVANTAGES)
        for name, d in (("costly", costly), ("cheap", cheap))
    }
    assert log_likelihood(costly)[0] == pytest.approx(by_hand["costly"])
    assert log_likelihood(cheap)[0] == pytest.approx(by_hand["cheap"])


def test_rest_pause_comes_out_no_worse_than_straight_sets_of_as_many_repetitions() -> None:
    """Prestes et al. 2019, 10.1519/JSC.0000000000001923 (abstract): at 80 % of 1RM rest-pause against three sets of six
    with 2 min rests, n = 9 each: thigh 11 +- 14 % against 1 +- 7 %; no difference at the other sites. Not fitted on it.
    """
    ratio = rest_pause_over_straight(draw_assumptions(np.random.default_rng(5), 4_000))
    low, middle, high = np.quantile(ratio, (0.1, 0.5, 0.9))
    assert 0.9 < low < middle < high
    assert 1.0 < middle < 1.5


def test_repetitions_on_paper_are_counted_from_the_first_of_each_set() -> None:
    """At 80 % a fresh set on paper has seven repetitions, so sets of six leave one in reserve."""
    whole = float(paper_set(0.80, 0.0)[1].sum())
    assert whole == pytest.approx(7.0)
    one_set = counted_worth(fixed(fatigue_exponent=0.0), 0.80, 6, 120.0, most_in_a_set=6)[0]
    kept = 1.0 - 0.19 / 0.437
    assert one_set == pytest.approx(sum(kept ** (reserve / 3.5) for reserve in range(1, 7)))
    to_failure = counted_worth(fixed(fatigue_exponent=0.0), 0.80, 7, 120.0, most_in_a_set=20)[0]
    assert to_failure == pytest.approx(one_set + 1.0)
    with pytest.raises(ValueError, match="rest_s is 0"):
        counted_worth(fixed(), 0.80, 18, 0.0, most_in_a_set=20)


def test_drop_sets_with_a_third_more_sets_come_out_about_equal_to_straight_sets() -> None:
    """Int J Strength Cond 2022, 10.47206/ijsc.v2i1.135: difference 0.08 (-0.08 to 0.24); about a third more sets
    (common practice, no source)."""
    draws = draw_assumptions(np.random.default_rng(5), 4_000)
    ratio = drop_set_worth(draws, 3) / straight_sets_worth(draws, 3, TRIAL_REST_S)
    low, middle, high = np.quantile(ratio, (0.1, 0.5, 0.9))
    assert 0.9 < middle < 1.15
    assert low < 1.0 < high
    gain = draws.growth * (ratio - 1.0)
    assert DROP_ADVANTAGE.low < np.median(gain) < DROP_ADVANTAGE.high


def test_without_any_discount_the_drops_would_be_overrated_and_the_trials_rule_out_a_strong_one() -> None:
    prior, after = prior_draws(np.random.default_rng(1), 4_000), draw_assumptions(np.random.default_rng(1), 4_000)

    def ratio(draws: Draws) -> float:
        return float(np.median(drop_set_worth(draws, 3) / straight_sets_worth(draws, 3, TRIAL_REST_S)))

    none = replace(after, fatigue_exponent=np.zeros(after.size))
    assert ratio(none) > 1.1
    assert ratio(prior) < 0.9
    assert np.quantile(after.fatigue_exponent, 0.9) < np.quantile(prior.fatigue_exponent, 0.9) - 0.5


def test_short_rests_cost_a_little_as_published() -> None:
    """Singer et al. 2024: short 0.48 (0.19 to 0.81) against longer 0.56 (0.24 to 0.86), so 0.86 of it."""
    draws = draw_assumptions(np.random.default_rng(5), 4_000)
    ratio = straight_sets_worth(draws, 3, SHORT_REST_S) / straight_sets_worth(draws, 3, LONG_REST_S)
    assert float(np.median(ratio)) == pytest.approx(0.48 / 0.56, abs=0.10)
    assert np.all(ratio <= 1.0 + 1e-9)


def test_the_paper_set_is_a_twelve_repetition_set() -> None:
    """Handbook chart: 12 repetitions at 67 to 70 % of 1RM; a fifth off then gives some more (published 4 to 12)."""
    assert paper_set(0.70, 0.0)[1].sum() == pytest.approx(12.0)
    assert 4.0 <= paper_set(0.56, 0.30)[1].sum() <= 12.0
    assert paper_set(0.70, 0.5)[1].sum() == 0.0


def test_same_seed_same_draws_and_other_seed_other_draws() -> None:
    a, b = (draw_assumptions(np.random.default_rng(9), 50) for _ in range(2))
    c = draw_assumptions(np.random.default_rng(10), 50)
    assert np.array_equal(a.growth, b.growth)
    assert not np.array_equal(a.growth, c.growth)


def test_shares_of_variance_against_the_closed_form() -> None:
    """For a sum of independent parts the one-at-a-time shares are a²·var / Σ a²·var exactly."""
    rng = np.random.default_rng(2)
    draws = prior_draws(rng, 5_000)
    shares = moved_by(draws, lambda d: 2.0 * d.reserve_z + 1.0 * d.fatigue_z + 0.0 * d.growth)
    want = 4.0 * np.var(draws.reserve_z) / (4.0 * np.var(draws.reserve_z) + np.var(draws.fatigue_z))
    assert next(iter(shares)) == "reserve_z"
    assert shares["reserve_z"] == pytest.approx(want)
    assert sum(shares.values()) == pytest.approx(1.0)
    assert set(shares) == set(ASSUMPTIONS)


def test_nothing_moves_a_fresh_repetition_at_failure() -> None:
    one = done([0.0], [0.0])
    shares = moved_by(report_draws(200), lambda d: worth(d, one)[:, 0])
    assert not any(shares.values())


@pytest.mark.parametrize(
    ("columns", "named"),
    [({"reserve": [1.0, -1.0]}, "reserve"), ({"fatigue": [float("nan"), 0.0]}, "fatigue"), ({"fatigue": [0.1]}, "col")],
)
def test_bad_columns_are_named(columns: dict[str, list[float]], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        done(columns.get("reserve", [1.0, 0.0]), columns.get("fatigue", [0.0, 0.0]))


def test_the_page_shows_the_assumptions_in_use() -> None:
    assert as_markdown(report_draws()) in PAGE.read_text(), (
        "stale; its table is assumptions.as_markdown(report_draws())"
    )


# --- from the records of a set ------------------------------------------------------------------------------------


def test_reserve_is_counted_back_from_a_stall_and_estimated_elsewhere() -> None:
    failing = [record(k) for k in range(1, 4)] + [record(4, outcome=RepetitionOutcome.FAILED)]
    after_drop = [record(k, step=1, load_n=300.0) for k in (5, 6)]
    found = done_of([*failing, *after_drop])
    assert list(found.reserve[:4]) == [2.0, 1.0, 0.0, 0.0]
    assert list(found.reserve_sd[:4]) == [0.0] * 4
    assert not found.completed[3]
    capacity = 600.0 * 0.97**6
    assert found.reserve[5] == pytest.approx((capacity / 300.0 - 1.0) / 0.03, rel=1e-6)
    assert found.reserve[4] == pytest.approx(found.reserve[5] + 1.0)
    assert found.reserve_sd[5] == pytest.approx(min(24.0 / 300.0 / 0.03, 4.0), rel=1e-6)


def test_fatigue_is_that_at_the_beginning_of_the_repetition() -> None:
    found = done_of([record(k) for k in range(1, 4)])
    assert found.fatigue[0] == pytest.approx(0.03 - 0.97 * 0.03, abs=0.002)
    assert found.fatigue[1] == pytest.approx(0.03)
    assert found.fatigue[2] == pytest.approx(1.0 - 0.97**2)
    assert list(found.fatigue_sd) == [0.04] * 3
    # A recording that does not hold how sure the loss is, is not taken for one that is sure.
    assert done_of([record(1, budget_sd=None)]).fatigue_sd[0] == UNKNOWN_FATIGUE[1]


def test_two_equally_slow_repetitions_are_distinguished_by_fatigue() -> None:
    fresh = [record(1, mean_velocity_m_s=0.6), record(2, mean_velocity_m_s=0.21)]
    fresh += [record(3, outcome=RepetitionOutcome.FAILED, mean_velocity_m_s=0.05)]
    deep = [
        record(k, step=2, load_n=200.0, mean_velocity_m_s=v, budget_spent=0.55, capacity_n=270.0)
        for k, v in ((4, 0.5), (5, 0.2))
    ]
    deep.append(record(6, step=2, load_n=200.0, outcome=RepetitionOutcome.FAILED, mean_velocity_m_s=0.04))
    found = set_worth([*fresh, *deep], report_draws())
    assert found.slow_pair is not None
    assert (found.slow_pair.fresher, found.slow_pair.deeper) == (1, 4)
    assert found.slow_pair.ratio.middle < 1.0
    assert 0.5 < found.slow_pair.sure <= 1.0
    assert found.total.low < found.total.middle < found.total.high
    assert sum(found.moved_by.values()) == pytest.approx(1.0)


def test_two_cables_count_as_one_repetition() -> None:
    one = [record(k) for k in range(1, 4)]
    two = [replace(r, cable=c) for r in one for c in (0, 1)]
    draws = report_draws(300)
    assert set_worth(two, draws).total.middle == pytest.approx(set_worth(one, draws).total.middle)
    assert set_worth(two, draws).hard_repetitions == set_worth(one, draws).hard_repetitions


def test_no_repetitions_are_worth_nothing() -> None:
    found = set_worth([], report_draws(50))
    assert found.total.high == 0.0
    assert found.slow_pair is None


def test_a_set_begun_tired_is_worth_less() -> None:
    done_set = [record(k) for k in range(1, 9)] + [record(9, outcome=RepetitionOutcome.FAILED)]
    draws = report_draws(500)
    fresh, tired = worth_again(done_set, 0.0, draws), worth_again(done_set, 0.15, draws)
    assert fresh.middle == pytest.approx(1.0)
    assert tired.middle < 0.95
    with pytest.raises(ValueError, match="left"):
        worth_again(done_set, 1.5, draws)
