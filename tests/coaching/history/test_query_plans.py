"""Every query of a screen finds its rows by an index, so that its time does not grow with the store.

The plans of the databases are looked at rather than the clock. The benchmark `bench_history` measures the time.
"""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from sqlalchemy import event

from ebbset.coaching.history import databases
from ebbset.coaching.history.reading import history_of
from ebbset.coaching.history.store import HistoryStore
from tests.support.big_history import fill_big, lifter_name

TODAY = datetime.date(2027, 1, 1)


@pytest.fixture
def big(store: HistoryStore) -> HistoryStore:
    fill_big(store, lifters=8, sessions=6, sets=3, repetitions=4)
    databases.run_outside(store.engine, ["ANALYZE"])
    return store


def plans(store: HistoryStore, look: Any) -> dict[str, str]:
    """Each statement that a look at the store runs, with how the database runs it."""
    asked: list[tuple[str, Any]] = []

    def note(_c: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if statement.startswith("SELECT"):
            asked.append((statement, parameters))

    event.listen(store.engine, "before_cursor_execute", note)
    look(store)
    event.remove(store.engine, "before_cursor_execute", note)
    found = {}
    with databases.reading(store.engine) as connection:
        if connection.dialect.name == "postgresql":
            # Small tables are read whole whatever indices they have; this asks for an index if there is one.
            connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
            connection.exec_driver_sql("SET LOCAL jit = off")
        explain = "EXPLAIN " if connection.dialect.name == "postgresql" else "EXPLAIN QUERY PLAN "
        for statement, parameters in asked:
            rows = connection.exec_driver_sql(explain + statement, parameters).fetchall()
            found[statement] = "\n".join(" ".join(str(cell) for cell in row) for row in rows)
    return found


def reads_a_whole_table(plan: str) -> bool:
    """SQLite says SCAN for a walk over a table or an index, PostgreSQL Seq Scan for one over a table."""
    return any("Seq Scan" in line or ("SCAN " in line and "subquery" not in line.lower()) for line in plan.splitlines())


LOOKS = {
    "history": lambda store: history_of(store, lifter_name(3), TODAY),
    "exercise": lambda store: store.sets_of(lifter_name(3), "row", 5),
    "newest": lambda store: store.sets_of(lifter_name(3), newest=1),
    "repetitions": lambda store: store.repetitions_of("003-00001-1"),
    "decisions": lambda store: store.decisions_of("003-00001-1"),
}


@pytest.mark.parametrize("name", LOOKS)
def test_what_is_shown_of_one_lifter_is_found_by_an_index(big: HistoryStore, name: str) -> None:
    found = plans(big, LOOKS[name])
    assert found
    assert {statement: plan for statement, plan in found.items() if reads_a_whole_table(plan)} == {}


def test_the_list_of_lifters_counts_in_indices_only(big: HistoryStore) -> None:
    """It goes through all sets and sessions, but never through their tables; that of lifters is the list itself."""
    found = plans(big, lambda store: store.lifters())
    unnamed = [plan for statement, plan in found.items() if "session_sets" in statement]
    assert len(unnamed) == 1
    assert not reads_a_whole_table(unnamed[0])  # only the sets that name nobody
    counted = [plan for statement, plan in found.items() if "count(*)" in statement and "session_sets" not in statement]
    assert len(counted) == 2
    for plan in counted:
        assert "USING COVERING INDEX" in plan or "Index Only Scan" in plan or "Index Scan" in plan, plan


def test_a_query_without_an_index_is_noticed(big: HistoryStore) -> None:
    def look(store: HistoryStore) -> None:
        with databases.reading(store.engine) as connection:
            connection.exec_driver_sql("SELECT * FROM sets WHERE drops = 3").fetchall()

    assert all(reads_a_whole_table(plan) for plan in plans(big, look).values())


def test_what_is_shown_is_what_was_written(big: HistoryStore) -> None:
    history, rows = history_of(big, lifter_name(3), TODAY)
    assert len(rows) == 18
    assert len(history.sessions) == 6
    assert {row.nonce.split("-")[0] for row in rows} == {"003"}
    assert [one.sets for one in big.lifters()] == [18] * 8
