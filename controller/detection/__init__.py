"""Detection from the samples of one cable: repetitions, stalls, failed starts, releases, faulty sensors.

It emits signals and takes no decisions; loads, drops and stop rules are not known here. All times are the rig's.
"""

from __future__ import annotations

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import (
    ReleaseSeen,
    RepetitionEnded,
    RepetitionStarted,
    SensorTrouble,
    Signal,
    StallSeen,
)

__all__ = [
    "ReleaseSeen",
    "RepetitionEnded",
    "RepetitionSegmenter",
    "RepetitionStarted",
    "SensorTrouble",
    "Signal",
    "StallSeen",
]
