"""A network between rig and controller as numbers: delay, jitter, losses and outages. No sockets.

Each direction keeps its order, as TCP does: a message never overtakes an earlier one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ebbset.simulators.lifter.bounds import check_bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkModel:
    """The link, the same in both directions.

    Attributes:
        delay_s: least time from sender to receiver.
        jitter_s: mean of the exponential time that comes on top.
        frame_loss: part of the telemetry frames that never arrive.
        outages_s: true times from which to which nothing arrives, either way; neither side is told.

    Raises:
        ValueError: a value out of range.
    """

    delay_s: float = 0.002
    jitter_s: float = 0.0005
    frame_loss: float = 0.0
    outages_s: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        check_bounds(self, {"delay_s": (0.0, 10.0), "jitter_s": (0.0, 2.0), "frame_loss": (0.0, 1.0)})
        for start_s, end_s in self.outages_s:
            if not start_s <= end_s:
                raise ValueError(f"outages_s holds ({start_s}, {end_s}); allowed: the start no later than the end")


_BLOCK: Final = 1024


class Way:
    """One direction of a link.

    Args:
        model: delay, jitter, losses and outages.
        rng: source of the draws.
    """

    __slots__ = ("_delay_s", "_jitter_s", "_last_s", "_loss", "_model", "_outages_s", "_rng")

    def __init__(self, model: LinkModel, rng: np.random.Generator) -> None:
        self._model = model
        self._delay_s, self._loss, self._outages_s = model.delay_s, model.frame_loss, model.outages_s
        self._rng = rng
        self._last_s = 0.0
        self._jitter_s: list[float] = []

    def arrival_s(self, sent_s: float, *, may_be_lost: bool = False) -> float | None:
        """True time at which a message sent then arrives, or None if it never does.

        Args:
            sent_s: true time at which it is sent, s.
            may_be_lost: it is a telemetry frame, which the link may lose.
        """
        if self._outages_s and any(start_s <= sent_s < end_s for start_s, end_s in self._outages_s):
            return None
        if may_be_lost and self._loss > 0.0 and self._rng.random() < self._loss:
            return None
        if not self._jitter_s:
            # Drawn in blocks, since one call a message is a noticeable part of a run.
            self._jitter_s = self._rng.exponential(self._model.jitter_s, _BLOCK).tolist()
        arrival_s = sent_s + self._delay_s + self._jitter_s.pop()
        if arrival_s < self._last_s:
            return self._last_s
        self._last_s = arrival_s
        return arrival_s
