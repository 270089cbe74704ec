"""How the clocks of a recorded set go together: the rig's, the recording's, and that of the controller's machine.

Each message of the rig bears the rig's clock and arrives at a time of the recording's clock. The difference is the
offset of the two and the delay of the message, which is never negative, so that the least difference in a stretch is
nearest to the offset. The first and the last stretch of a set give offset and rate. Plain arithmetic, no file.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import Final

STRETCH_US: Final = 10_000_000
LEAST_SPAN_US: Final = 20_000_000
"""Anchors closer together say nothing about the rate: a delay of 1 ms in 20 s is already 50 parts per million."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetClocks:
    """The clocks at the zero of a set's time axis, in seconds; None: not known.

    Attributes:
        rig_s: the rig's clock.
        recording_s: the recording's clock, which is ``log_time`` in the file.
        machine_s: the monotonic clock of the controller's machine; on Linux the Lab Streaming Layer's clock there.
        rate: seconds of the last two for each second of the rig's clock.
    """

    rig_s: float | None = None
    recording_s: float | None = None
    machine_s: float | None = None
    rate: float | None = None


@dataclass(slots=True)
class ClockPairs:
    """Pairs of rig time and arrival, of which the least delayed of each stretch is kept."""

    _least: dict[int, tuple[int, int]] = field(default_factory=dict)

    def note(self, rig_us: int, now_us: int) -> None:
        """Take one message in.

        Args:
            rig_us: the rig's clock in it.
            now_us: the recording's clock when it was handled.
        """
        stretch, apart_us = rig_us // STRETCH_US, now_us - rig_us
        known = self._least.get(stretch)
        if known is None or apart_us < known[1]:
            self._least[stretch] = (rig_us, apart_us)

    def at(self, zero_rig_us: int | None, machine_zero_s: float | None) -> SetClocks:
        """The clocks at a time of the rig.

        Args:
            zero_rig_us: the rig's clock there.
            machine_zero_s: the machine's monotonic clock where the recording's is zero.
        """
        if zero_rig_us is None or not self._least:
            return SetClocks()
        (first_us, apart_us), (last_us, last_apart_us) = self._least[min(self._least)], self._least[max(self._least)]
        slope = 0.0
        if last_us - first_us >= LEAST_SPAN_US:
            slope = (last_apart_us - apart_us) / (last_us - first_us)
        else:
            apart_us = min(apart_us, last_apart_us)
        recording_s = (zero_rig_us + apart_us + slope * (zero_rig_us - first_us)) / 1e6
        return SetClocks(
            rig_s=zero_rig_us / 1e6,
            recording_s=recording_s,
            machine_s=None if machine_zero_s is None else machine_zero_s + recording_s,
            rate=1.0 + slope,
        )


def wall_clock(clock_zero: datetime.datetime | None, now_us: int) -> datetime.datetime | None:
    """Wall clock at a time of the recording; None when it is not known, or beyond what a calendar holds.

    Args:
        clock_zero: wall clock where the recording's clock is zero, when known.
        now_us: the recording's clock, microseconds.
    """
    try:
        return None if clock_zero is None else clock_zero + datetime.timedelta(microseconds=now_us)
    except OverflowError:
        return None
