"""What a recorded lifter did, sample by sample: the movement that light rigs repeat, without any physics.

Read from a kept recording of a simulated set. Position and velocity stay as they were recorded; force is kept as the
difference from the load applied then, so that it fits the load applied now. Never here: time, messages.
"""

from __future__ import annotations

import functools
import json
import lzma
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ebbset.controller.messages.events import Samples
from ebbset.controller.recording.reader import read_recording

SOURCE: Final = Path(__file__).parents[2] / "tests" / "data" / "recordings" / "drops.mcap.xz"
FRAME: Final = 5
SAMPLE_US: Final = 10_000
"""The recording has 100 samples a second, to a microsecond."""


@dataclass(frozen=True, slots=True)
class TracePart:
    """The samples of one frame: two columns as JSON, and force less the load applied, N."""

    position_json: str
    velocity_json: str
    force_above_n: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RecordedTrace:
    """A whole set: frames in the dock, which repeat, then the frames from the dock on."""

    docked: tuple[TracePart, ...]
    lifting: tuple[TracePart, ...]


@functools.cache
def recorded_trace() -> RecordedTrace:
    """The movement of the kept recording, cut into frames of five samples."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.mcap"
        path.write_bytes(lzma.decompress(SOURCE.read_bytes()))
        frames = [item.event for item in read_recording(path).handled if isinstance(item.event, Samples)]
    docked = [part for frame in frames if frame.docked for part in _parts(frame)]
    lifting = [part for frame in frames if not frame.docked for part in _parts(frame)]
    return RecordedTrace(tuple(docked), tuple(lifting))


def _parts(frame: Samples) -> list[TracePart]:
    velocity, force = frame.velocity_m_s[0], frame.force_n[0]
    if velocity is None or force is None:
        raise ValueError(f"{SOURCE.name}: frame {frame.seq} has no velocity or no force; allowed: both")
    parts = []
    for at in range(0, len(frame.t_us) - FRAME + 1, FRAME):
        chosen = slice(at, at + FRAME)
        parts.append(
            TracePart(
                json.dumps([round(x, 5) for x in frame.position_m[0][chosen]]),
                json.dumps([round(v, 5) for v in velocity[chosen]]),
                tuple(n - frame.applied_n[0] for n in force[chosen]),
            )
        )
    return parts
