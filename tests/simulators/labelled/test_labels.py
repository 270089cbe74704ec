"""The table of labels: it reads back as written, says what is wrong where, and counts agreement as others do.

Cohen's kappa is held against statsmodels'.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa, to_table

from ebbset.models.contract.problems import BadDocumentError, UnusableFileError
from ebbset.simulators.evaluation.labelled.agreement import agreed_sets, agreement
from ebbset.simulators.evaluation.labelled.labels import (
    COLUMNS,
    AttemptOutcome,
    LabelledAttempt,
    LabelSource,
    format_table,
    parse_labels,
    read_labels,
    write_labels,
)

HEAD = "set,person,attempt,start_s,motion_ended_s,end_s,outcome,load_n,source,labeller\n"
GOOD = HEAD + "a,P1,1,1.0,,2.0,completed,500,video,L1\na,P1,2,4.0,5.0,6.5,failed,500,video,L1\n"


def label(attempt: int, **changes: object) -> LabelledAttempt:
    base: dict[str, object] = {
        "set": "a",
        "person": "P1",
        "attempt": attempt,
        "start_s": 4.0 * attempt,
        "end_s": 4.0 * attempt + 1.0,
        "outcome": AttemptOutcome.COMPLETED,
        "load_n": 500.0,
        "source": LabelSource.VIDEO,
        "labeller": "L1",
    }
    return LabelledAttempt.model_validate(base | changes)


def test_a_table_reads_back_as_it_was_written(tmp_path: Path) -> None:
    rows = [
        label(1, reserve=3.0, clock_offset_s=-0.25),
        label(2, outcome="failed", motion_ended_s=8.5, one_rm_n=None, capacity_n=480.0),
    ]
    write_labels(tmp_path / "labels.csv", rows)
    assert list(read_labels(tmp_path / "labels.csv")) == rows


def test_a_spreadsheet_with_semicolons_and_decimal_commas_says_the_same() -> None:
    translated = GOOD.replace(",", ";").replace(".", ",")
    assert parse_labels(translated) == parse_labels(GOOD)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("6.5", "6,5x", "row 3 is 11 cells long; allowed: 10"),
        ("6.5", "soon", "row 3: end_s is 'soon'; allowed: a number"),
        ("6.5", "3.5", "row 3: end_s is 3.5; allowed: later than start_s, 4.0"),
        ("5.0,6.5", ",6.5", "row 3: motion_ended_s is blank; allowed: an instant"),
        ("5.0,6.5", "7.0,6.5", "row 3: motion_ended_s is 7.0; allowed: from start_s to end_s, 4.0 to 6.5"),
        ("1.0,,2.0", "1.0,1.5,2.0", "row 2: motion_ended_s is 1.5; allowed: blank, unless the outcome is failed"),
        ("failed", "lost", "row 3: outcome is 'lost'; allowed: 'completed', 'failed', 'cut_short' or 'unclear'"),
        ("video", "memory", "row 2: source is 'memory'; allowed: 'video', 'second_person' or 'simulator'"),
        ("P1,2", "P2,2", "row 3: person is 'P2'; allowed: 'P1', as in the first row of set 'a'"),
        ("P1,2", "P1,3", "row 3: attempt is 3; allowed: 2: attempts of a set count up from 1"),
        ("4.0,5.0", "1.5,5.0", "row 3: start_s is 1.5; allowed: not before the end of attempt 1, 2.0"),
        ("P1,1", "P 1,1", "row 2: person is 'P 1'; allowed: letters, digits"),
        ("500,video,L1\na", "-5,video,L1\na", "row 2: load_n is '-5'; allowed: a number above 0"),
        ("load_n", "load_kg", "column 'load_kg' is there; allowed: one of set, person"),
        ("end_s,outcome", "set,outcome", "column 'set' is there twice; allowed: once"),
        (GOOD, HEAD, "table is empty; allowed: at least one row"),
        (GOOD, "", "column 'set' is missing"),
    ],
)
def test_an_error_names_row_column_value_and_what_is_allowed(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(BadDocumentError) as refused:
        parse_labels(GOOD.replace(old, new), name="labels.csv")
    assert said in str(refused.value)
    assert "labels.csv: " in str(refused.value)


def test_a_table_that_is_wrong_everywhere_is_not_listed_row_by_row() -> None:
    rows = "".join(f"a,P1,{k},x,,2,completed,500,video,L1\n" for k in range(1, 200))
    with pytest.raises(BadDocumentError) as refused:
        parse_labels(HEAD + rows)
    assert len(refused.value.problems) == 21
    assert "179 more places" in str(refused.value.problems[-1])


def test_files_that_are_no_tables_are_refused(tmp_path: Path) -> None:
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnusableFileError, match="UTF-8"):
        read_labels(tmp_path / "binary.csv")
    with pytest.raises(UnusableFileError, match="No such file"):
        read_labels(tmp_path / "none.csv")
    with pytest.raises(BadDocumentError, match="allowed: CSV"):
        parse_labels(HEAD + 'a,"P1,1\n')


def test_every_column_is_described() -> None:
    text = format_table()
    assert all(f"| `{name}` |" in text for name in COLUMNS)
    assert "None" not in text


# --- several labellers --------------------------------------------------------------------------------------------


def test_instants_are_means_on_the_recordings_clock_and_a_disputed_outcome_is_unclear() -> None:
    rows = [
        label(1, labeller="L1"),
        label(2, labeller="L1", outcome="failed", motion_ended_s=8.4),
        label(3, labeller="L1", outcome="failed", motion_ended_s=12.4),
        label(1, labeller="L2", start_s=14.1, end_s=15.1, clock_offset_s=-10.0),
        label(2, labeller="L2", start_s=18.1, end_s=19.1, outcome="failed", motion_ended_s=18.6, clock_offset_s=-10.0),
        label(3, labeller="L2", start_s=22.1, end_s=23.1, clock_offset_s=-10.0),
    ]
    [one] = agreed_sets(rows)
    assert [each.outcome.value for each in one.attempts] == ["completed", "failed", "unclear"]
    assert one.attempts[0].start_s == pytest.approx(4.05)
    assert one.attempts[1].motion_ended_s == pytest.approx(8.5)
    assert one.attempts[2].motion_ended_s is None
    found = agreement(rows)
    assert found is not None
    assert (found.pairs, found.instants) == (3, 1)
    assert found.mean_difference_s == pytest.approx(-0.2)


def test_kappa_and_limits_are_those_of_others() -> None:
    rng = np.random.default_rng(3)
    kinds = list(AttemptOutcome)
    rows, first, second, differences = [], [], [], []
    for k in range(1, 151):
        a = kinds[int(rng.integers(4))]
        b = a if rng.random() < 0.7 else kinds[int(rng.integers(4))]
        first.append(a.value)
        second.append(b.value)
        instants = 4.0 * k + rng.uniform(0.1, 0.9, 2)
        if a is b is AttemptOutcome.FAILED:
            differences.append(instants[0] - instants[1])
        for labeller, kind, instant in (("L1", a, instants[0]), ("L2", b, instants[1])):
            ended = float(instant) if kind is AttemptOutcome.FAILED else None
            rows.append(label(k, labeller=labeller, outcome=kind, motion_ended_s=ended))
    found = agreement(rows)
    assert found is not None
    counted, _ = to_table(np.column_stack([first, second]))
    assert found.kappa == pytest.approx(cohens_kappa(counted).kappa)
    assert found.instants == len(differences) > 10
    sd = float(np.std(differences, ddof=1))
    assert found.limits_s == pytest.approx((np.mean(differences) - 1.96 * sd, np.mean(differences) + 1.96 * sd))


def test_labellers_who_saw_different_numbers_of_attempts_are_told() -> None:
    rows = [label(1), label(2), label(1, labeller="L2")]
    with pytest.raises(BadDocumentError, match=r"set 'a': attempts of L2 is 1; allowed: 2, as many as L1 labelled"):
        agreed_sets(rows)
    assert agreement([label(1), label(2)]) is None
    assert math.isnan(agreement([label(1), label(1, labeller="L2")]).kappa)  # type: ignore[union-attr]
