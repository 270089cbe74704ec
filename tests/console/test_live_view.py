"""The live view shows what messages say, whole at any width, and hides what a study hides."""

from __future__ import annotations

import io
import json
import tomllib

import pytest
from rich.console import Console

from ebbset.console.live.live_state import LiveState
from ebbset.console.live.live_view import picture
from ebbset.models.contract import formatting
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.study_mark import Mark
from ebbset.models.contract.wire import Topic
from tests.support.commands import ROW


def _text(state: LiveState, width: int = 110) -> str:
    console = Console(width=width, file=io.StringIO(), record=True)
    console.print(picture(state))
    return console.export_text()


def test_the_live_view_shows_what_messages_say_and_survives_those_that_say_nothing() -> None:
    state = LiveState(start_n=400.0, floor_n=200.0)
    assert "nothing heard from the controller yet" in _text(state)
    state.take(Topic.FRAME, b"no json")
    state.take(
        Topic.STATE,
        json.dumps(
            {"t_host_us": 1, "state": "working", "prescription": "Row", "budget_spent": 0.2, "budget_limit": 0.4}
        ).encode(),
    )
    frame = {
        "boot_id": "boot0001",
        "seq": 1,
        "docked": False,
        "applied_n": [392.266],
        "t_us": [1, 2],
        "cables": [{"position_m": [0.1, 0.2], "velocity_m_s": [0.31, 0.42]}],
    }
    state.take(Topic.FRAME, json.dumps(frame).encode())
    shown = _text(state)
    assert "Row" in shown
    assert "40.0 kg" in shown
    assert "+0.42 m/s" in shown
    assert "20 %" in shown
    assert "budget 40 %" in shown
    mark = Mark("0" * 64, "p01", 1, frozenset({"load", "budget"}))
    order = Prescription.model_validate({**tomllib.loads(ROW), "notes": mark.text(), "units": "lb"})
    blind = LiveState.of(order)
    assert blind.unit == "lb"
    assert blind.floor_n == pytest.approx(20 * 9.80665)
    state.order = order
    blinded = _text(state)
    assert "40.0 kg" not in blinded
    assert "budget" not in blinded
    assert "+0.42 m/s" in blinded


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("applied_n", [(0.0,), (392.266,), (1960.0, 1960.0)])
def test_the_live_view_is_whole_at_any_width(width: int, applied_n: tuple[float, ...]) -> None:
    state = LiveState(start_n=2_000.0, floor_n=200.0, applied_n=applied_n, velocity_m_s=-0.2)
    state.velocities.extend([0.5] * 60)
    report = {"t_host_us": 1, "state": "working", "prescription": "Row", "budget_spent": 0.2, "budget_limit": 0.4}
    state.take(Topic.STATE, json.dumps(report).encode())
    lines = _text(state, width).splitlines()
    assert max(map(len, lines)) <= width
    rows = {line[:13].strip(): line for line in lines if line[13:15] == "  "}
    assert set(rows) >= {"load", "velocity", "repetitions", "capacity lost"}
    assert "…" not in "".join(lines)
    assert formatting.loads(applied_n, "kg") in rows["load"]
    assert "20 %" in rows["capacity lost"]
    # Half of the budget is gone: as much of the bar, whatever its length.
    filled, empty = rows["capacity lost"].count("━"), rows["capacity lost"].count("─")
    assert abs(filled - empty) <= 1
    assert filled + empty == rows["velocity"].count("▄") <= 44
    if width >= 80:
        assert rows["capacity lost"].rstrip().endswith(" budget 40 %")
        assert filled + empty >= 35


def test_a_simulated_rig_is_called_so_while_one_watches() -> None:
    state = LiveState()
    identity = {"rig": "r", "boot_id": "boot0001", "online": True, "cables": 1, "telemetry": "frames"}
    identity |= {"sample_rate_hz": 100, "has_force": True, "max_load_n": 900, "min_load_n": 20}
    identity |= {"max_ramp_n_per_s": 900, "max_lease_ms": 1_000, "firmware": "1"}
    state.take(Topic.IDENTITY, json.dumps(identity).encode())
    assert "simulated" not in _text(state)
    state.take(Topic.IDENTITY, json.dumps({**identity, "simulated": True}).encode())
    assert "simulated" in _text(state)


def test_a_recording_that_fails_is_told_while_one_watches() -> None:
    state = LiveState()
    report = {"t_host_us": 1, "state": "working"}
    state.take(Topic.STATE, json.dumps(report).encode())
    assert "not recorded" not in _text(state)
    state.take(Topic.STATE, json.dumps({**report, "recording_failure": "OSError: No space left on device"}).encode())
    assert "not recorded: OSError: No space left on device" in _text(state)
