"""Tables of `ebbset evaluate` that are wider than the terminal: split into parts, and no figure of them cut short."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from ebbset.simulators.evaluation import family_report
from tests.support.commands import run_command

FIGURES = {f"figure_{k}": 0.125 * k + 0.0625 for k in range(9)}


def test_no_figure_of_a_split_table_is_cut(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    rows: list[dict[str, Any]] = [
        {"family": name, "rule": rule, **FIGURES}
        for name in ("short", "a_family_with_a_long_name")
        for rule in ("a rule whose name is long", "dwell", "another rule with a name")
    ]
    report = SimpleNamespace(tables=lambda: [("Wide", rows)], targets=[], sets=1, people=1, seeds=(1,))
    monkeypatch.setattr(family_report, "run", lambda *_args, **_rest: report)
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run_command(capsys, "evaluate", "--lifters", "jointed")
    assert code == 0
    assert "…" not in out
    assert out.count("a_family_with_a_long_name") == 3
    assert out.count("1.062") == len(rows)
    assert max(map(len, out.splitlines())) <= 80
