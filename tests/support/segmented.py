"""A segmenter fed with a made-up trace, and what it signalled."""

from __future__ import annotations

from typing import Any

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import RepetitionEnded, Signal, StallSeen
from tests.support.traces import Trace

LOAD = 400.0


def run(
    it: RepetitionSegmenter,
    trace: Trace,
    *,
    velocity: bool = True,
    frame: int = 5,
    docked_s: float = 0.0,
    **sampling: Any,
) -> list[Signal]:
    t, x, v = trace.sample(**sampling)
    signals: list[Signal] = []
    for k in range(0, len(t), frame):
        part = slice(k, k + frame)
        docked = t[k] < docked_s * 1e6
        signals += it.feed(t[part], x[part], v[part] if velocity else None, None, load_n=LOAD, docked=docked)
    return signals


def ended(signals: list[Signal]) -> list[RepetitionEnded]:
    return [s for s in signals if isinstance(s, RepetitionEnded)]


def stalls(signals: list[Signal]) -> list[StallSeen]:
    return [s for s in signals if isinstance(s, StallSeen)]
