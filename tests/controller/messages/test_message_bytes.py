"""The bytes on the wire and in a recording are those of 0.1.0: a digest for each recording that was kept.

A digest tells that a byte changed, not which one; `test_codec` has the fields. It covers every output that the kept
recordings hold as it goes on the wire, and every event and output as it is recorded. Members that came later are null
or empty in what 0.1.0 recorded, and are taken out before the digest is made: everything else is as it was.
"""

from __future__ import annotations

import hashlib
import lzma
from pathlib import Path

import pytest

from ebbset.controller.messages import codec
from ebbset.controller.recording.reader import read_recording

FOLDER = Path(__file__).parents[2] / "data" / "recordings"
WIRE_AND_RECORDED = {
    "drops": ("357cd72e752616f4", "93312cfabe65c528"),
    "dwell-grind": ("116af97ff11cff0b", "45d8ee897cba1345"),
    "profile-grind": ("4e06fa53470202cd", "a8be1aaf110a2b15"),
    "rest-pause": ("744839415439b093", "6426ac32ac01ab32"),
    "second-set-fatigued": ("80404adfd20725c0", "9126cd9c80979f1b"),
    "sensor-fault": ("bf8278f22884d82f", "7de5e246066b36ed"),
    "stopped-by-hand": ("bd7f67686187fae5", "a0a61811a98a4d32"),
    "summaries-only": ("0e25c44d56a194e4", "42cfde627fcb7f61"),
    "two-cables": ("fb00eead49d76df8", "00dee3a7e379d3c2"),
}


ESTIMATES = tuple(
    b'"%s":null' % name
    for name in (
        b"one_rm_n",
        b"one_rm_low_n",
        b"one_rm_high_n",
        b"capacity_low_n",
        b"capacity_high_n",
        b"repetitions_in_reserve",
        b"repetitions_in_reserve_low",
        b"repetitions_in_reserve_high",
        b"budget_spent_low",
        b"budget_spent_high",
    )
)
CAME_LATER = (b'"ticket":null', b'"arming":null', b'"recording_failure":null', b'"sets":[]', *ESTIMATES)


def as_in_0_1_0(data: bytes) -> bytes:
    """The message without the members that 0.1.0 did not have."""
    for member in CAME_LATER:
        data = data.replace(member + b",", b"").replace(b"," + member, b"")
    return data


def digests(path: Path) -> tuple[str, str]:
    """SHA-256 of all wire messages and of all recorded values, each shortened to 16 digits."""
    wire, recorded = hashlib.sha256(), hashlib.sha256()
    for handled in read_recording(path).handled:
        recorded.update(as_in_0_1_0(codec.to_json(handled.event)))
        for output in handled.outputs:
            recorded.update(as_in_0_1_0(codec.to_json(output)))
            topic, payload = codec.to_wire(output)
            wire.update(topic.value.encode() + b" " + as_in_0_1_0(payload) + b"\n")
    return wire.hexdigest()[:16], recorded.hexdigest()[:16]


@pytest.mark.parametrize("name", WIRE_AND_RECORDED)
def test_wire_and_recorded_bytes_are_those_of_0_1_0(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.mcap"
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.mcap.xz").read_bytes()))
    assert digests(path) == WIRE_AND_RECORDED[name]
