"""Commands of the program run in this process, and a prescription and a profile for them."""

from __future__ import annotations

import pytest

from ebbset.console import app

ROW = """
name = "Row"
exercise = "row"
[load]
start_n = "40 kg"
floor_n = "20 kg"
"""
PROFILE = """
lifter = "A7"
exercise = "row"
date = 2026-11-20
velocity_at_zero_m_s = {mean = 1.5, sd = 0.1}
velocity_at_1rm_m_s = {mean = 0.2, sd = 0.05}
one_rm_n = {mean = 300.0, sd = 20.0}
"""


def run_command(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = app.run(arguments)
    captured = capsys.readouterr()
    assert "Traceback" not in captured.out + captured.err
    return code, captured.out, captured.err
