"""A recorded set to report on, and a reader of the page made from it."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

from ebbset.controller.recording.writer import RecordingWriter
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.simulators.closed_loop.closed_loop import run_set
from ebbset.simulators.lifter.exercises import exercise
from ebbset.simulators.plant.rig_parameters import RigParameters

ORDER = {
    "name": "Press <before> dinner & after",
    "exercise": "bench_press",
    "load": {"start_n": "84 kg", "floor_n": "30 kg"},
    "budget": {"capacity_loss": 0.45},
    "stop": {"max_drops": 3, "max_duration_s": 90.0},
}
PROFILE = tomllib.loads((files("ebbset.console.live") / "data" / "demo_profile.toml").read_text(encoding="utf-8"))
MADE_AT = datetime.datetime(2026, 11, 25, 20, 0)


def write_recording(path: Path, begun: str, *, seed: int = 1, cables: int = 1, **changes: object) -> Path:
    order = Prescription.model_validate({**ORDER, **changes})
    lifter = exercise("bench_press").mean_lifter()
    if cables == 2:
        order = Prescription.model_validate({**ORDER, "load": {"start_n": "40 kg", "floor_n": "15 kg"}, **changes})
    with path.open("wb") as stream:
        writer = RecordingWriter(
            stream, {"simulated": "true", "wall_clock_at_zero": begun, "rig": "north", "ebbset": "0", "python": "3"}
        )
        profile = LifterProfile.model_validate(PROFILE) if cables == 1 else None
        run_set(order, lifter, RigParameters(n_cables=cables), seed=seed, profile=profile, recorder=writer.add)
        writer.finish({})
    return path


class PageReader(HTMLParser):
    """What a page holds: every element with its attributes, every cell of every table."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.tables: list[list[list[str]]] = []
        self.text: list[str] = []
        self._cell = False
        self._skip = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._cell = True
        self._skip = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._cell = False
        self._skip = False

    def handle_data(self, data: str) -> None:
        if self._cell:
            self.tables[-1][-1][-1] += data
        if not self._skip:
            self.text.append(data)

    def all(self, tag: str) -> Iterator[dict[str, str | None]]:
        return (attributes for name, attributes in self.elements if name == tag)
