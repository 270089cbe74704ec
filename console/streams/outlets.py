"""Outlets of the Lab Streaming Layer: a stream of samples for each cable, and one of markers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pylsl

from ebbset.console.streams.stream_bridge import CHANNELS, StreamedRig
from ebbset.models.contract.wire import CONTRACT_VERSION

SAMPLES_TYPE: Final = "Mechanics"
MARKERS_TYPE: Final = "Markers"


def layer_clock_s() -> float:
    """The layer's clock on this machine, seconds."""
    return float(pylsl.local_clock())


def samples_name(rig: str, cable: int) -> str:
    """Name of a cable's stream.

    Args:
        rig: name of the rig.
        cable: from 0.
    """
    return f"ebbset {rig} cable {cable}"


def markers_name(rig: str) -> str:
    """Name of the stream of markers."""
    return f"ebbset {rig} markers"


class LayerOutlets:
    """The streams of one rig. Markers are there from the beginning, samples once the rig is known.

    Args:
        rig: its name.
    """

    def __init__(self, rig: str) -> None:
        self._rig = rig
        info = pylsl.StreamInfo(
            markers_name(rig), MARKERS_TYPE, 1, pylsl.IRREGULAR_RATE, pylsl.cf_string, f"ebbset-{rig}-markers"
        )
        _contents(info, rig)
        _child(info.desc().append_child("channels"), "channel", label="marker", unit="JSON", type="Markers")
        self._markers = pylsl.StreamOutlet(info)
        self._cables: list[Any] = []

    def open_samples(self, described: StreamedRig) -> None:
        """Open a stream for each cable, instead of those that are open."""
        self._cables = [pylsl.StreamOutlet(_samples_info(described, k)) for k in range(described.cables)]

    def samples(self, cable: int, rows: Sequence[Sequence[float]], times_s: Sequence[float]) -> None:
        """Send samples of one cable.

        Args:
            cable: from 0.
            rows: one row of `CHANNELS` for each sample.
            times_s: their times on the layer's clock, rising.
        """
        self._cables[cable].push_chunk(np.array(rows, dtype=np.float64), list(times_s))

    def marker(self, text: str, time_s: float) -> None:
        """Send one marker.

        Args:
            text: JSON.
            time_s: its time on the layer's clock.
        """
        self._markers.push_sample([text], time_s)


def _samples_info(described: StreamedRig, cable: int) -> Any:
    rig = described.rig
    info = pylsl.StreamInfo(
        samples_name(rig, cable),
        SAMPLES_TYPE,
        len(CHANNELS),
        described.sample_rate_hz,
        pylsl.cf_double64,
        f"ebbset-{rig}-cable-{cable}",
    )
    _contents(info, rig)
    channels = info.desc().append_child("channels")
    for label, unit, meaning in CHANNELS:
        _child(channels, "channel", label=label, unit=unit, type=SAMPLES_TYPE, meaning=meaning)
    _child(
        info.desc(),
        "clock",
        time_stamps="rig clock plus offset, on the clock of the machine that streams",
        rig_clock_offset_s=repr(described.offset_s),
        offset_from="least difference between arrival and rig clock over the last 10 s, as first known",
        offsets_follow="in markers of kind clock, every 5 s",
        rig_boot=described.boot_id,
    )
    _child(info.desc(), "rig", name=rig, cable=str(cable), simulated=str(described.simulated).lower())
    return info


def _contents(info: Any, rig: str) -> None:
    _child(info.desc(), "source", program="ebbset stream", contract=CONTRACT_VERSION, topics=f"ebbset/v1/{rig}/")


def _child(parent: Any, element: str, /, **values: str) -> None:
    child = parent.append_child(element)
    for key, value in values.items():
        child.append_child_value(key, value)
