"""A recording opens without any part of ebbset: named channels, schemas that hold, and series that can be plotted.

The reader runs in a process of its own with the plain ``mcap`` library, and imports nothing of ebbset.
"""

from __future__ import annotations

import json
import lzma
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ebbset.controller.messages.actions import SendLoad
from ebbset.controller.recording.sources import read_source
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import example
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise

KEPT = Path(__file__).parents[2] / "data" / "recordings"

READER = """
import json, sys
from jsonschema import Draft202012Validator
from mcap.reader import make_reader

series = {"samples": [], "loads": [], "decisions": [], "repetitions": []}
counts, validators = {}, {}
with open(sys.argv[1], "rb") as file:
    reader = make_reader(file)
    for schema, channel, message in reader.iter_messages():
        assert (channel.message_encoding, schema.encoding) == ("json", "jsonschema"), channel.topic
        value = json.loads(message.data)
        if channel.topic not in validators:
            validators[channel.topic] = Draft202012Validator(json.loads(schema.data))
        validators[channel.topic].validate(value)
        counts[channel.topic] = counts.get(channel.topic, 0) + 1
        at = message.log_time
        if channel.topic == "input/samples":
            for cable, positions in enumerate(value["position_m"]):
                series["samples"] += [[cable, t, x] for t, x in zip(value["t_us"], positions)]
        elif channel.topic == "output/send_load":
            series["loads"].append([at, *value["target_n"]])
        elif channel.topic == "output/decision":
            series["decisions"].append([at, value["action"], value["reason"], value["text"]])
        elif channel.topic == "output/repetition_record":
            series["repetitions"].append([value["t_end_us"], value["cable"], value["mean_velocity_m_s"]])
    facts = {name: dict(record.metadata) for record in reader.iter_metadata() for name in [record.name]}
assert not [name for name in sys.modules if name.partition(".")[0] == "ebbset"]
json.dump({"series": series, "counts": counts, "facts": facts}, sys.stdout)
"""


@pytest.fixture(scope="module", params=["written now", "drops", "two-cables"])
def recording(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of this version, and two of an earlier one."""
    path = tmp_path_factory.mktemp("recording") / "set.mcap"
    if request.param != "written now":
        path.write_bytes(lzma.decompress((KEPT / f"{request.param}.mcap.xz").read_bytes()))
        return path
    with path.open("wb") as stream:
        writer = RecordingWriter(stream, {"machine_clock_at_zero_s": "1234.5"})
        order = example(stop={"max_drops": 2, "max_duration_s": 60.0})
        run_set(order, exercise("row").mean_lifter(), seed=1, recorder=writer.add)
        writer.finish({})
    return path


@pytest.fixture(scope="module")
def read(recording: Path) -> dict[str, Any]:
    done = subprocess.run([sys.executable, "-c", READER, str(recording)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_channels_have_the_names_that_the_page_gives(read: dict[str, Any]) -> None:
    page = (Path(__file__).parents[3] / "docs" / "streams.md").read_text()
    assert {"input/samples", "output/send_load", "output/decision", "output/repetition_record"} <= read["counts"].keys()
    for topic in ("input/samples", "output/send_load", "output/decision", "output/repetition_record"):
        assert f"| `{topic}` |" in page


def test_another_reader_plots_what_the_report_shows(read: dict[str, Any], recording: Path) -> None:
    (item,) = read_source(recording).sets
    series = read["series"]
    trace = np.array([row for row in series["samples"] if row[0] == 0])
    shown = dict(zip(item.trace.t_s, item.trace.position_m[:, 0], strict=True))
    assert len(shown) > 100
    zero_us = item.clocks.rig_s * 1e6 if item.clocks.rig_s is not None else 0.0
    plotted = {round((t_us - zero_us) / 1e6, 6): x for _, t_us, x in trace}
    assert all(plotted[round(float(t_s), 6)] == x for t_s, x in shown.items())
    loads = [target_n for _, *target_n in series["loads"]]
    assert loads == [list(out.target_n) for _, out in item.outputs if isinstance(out, SendLoad)]
    assert [text for *_, text in series["decisions"]] == [moment.decision.text for moment in item.moments]
    velocities = [velocity for *_, velocity in series["repetitions"]]
    assert velocities == [one.mean_velocity_m_s for one in item.repetitions]
    assert velocities


def test_another_reader_finds_the_facts(read: dict[str, Any]) -> None:
    facts = read["facts"]["ebbset.begin"]
    assert facts["format"] == "1"
    if "machine_clock_at_zero_s" in facts:
        assert facts["machine_clock_at_zero_s"] == "1234.5"
