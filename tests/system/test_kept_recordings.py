"""Recordings made by ebbset 0.1.0 lead to the same decisions today, bit for bit.

Whatever is moved, renamed or rewritten, these sets must replay alike. Each stands for something that the others do not
have; the file says what. They are simulated and compressed with xz, since a recording is written in small chunks.
"""

from __future__ import annotations

import lzma
from pathlib import Path

import pytest

from ebbset.controller.recording.replay import Verdict, replay_file
from ebbset.controller.service.policy_registry import load_policies

FOLDER = Path(__file__).parents[1] / "data" / "recordings"
REASONS = {
    "drops": "100 Hz, force, a drop by the evidence rule, ended by the capacity budget",
    "dwell-grind": "the dwell rule with grinding time, drops sized by repetitions wanted, ended by its number of drops",
    "profile-grind": "a profile, grinding time with the evidence rule, drops sized by force, ended by marginal worth",
    "rest-pause": "three bouts with rests, the slowest sampling there is, a budget of hard repetitions",
    "second-set-fatigued": "a set served soon after another of the same person: it carries the estimator's state",
    "sensor-fault": "a position that sticks, ended by it",
    "stopped-by-hand": "served over MQTT, stopped by a person in mid-set",
    "summaries-only": "served over MQTT, a rig that sends repetition summaries and no frames",
    "two-cables": "two independent cables without force, ended by the left-right rule",
}


def test_every_kept_recording_has_a_reason() -> None:
    assert {path.name.removesuffix(".mcap.xz") for path in FOLDER.iterdir()} == set(REASONS)


@pytest.mark.parametrize("name", REASONS)
def test_a_kept_recording_replays_to_the_same_bits(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.mcap"
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.mcap.xz").read_bytes()))
    report = replay_file(path, load_policies())
    assert report.difference is None, str(report.difference)
    assert report.verdict is Verdict.SAME, report.notes
    assert report.outputs > 20
