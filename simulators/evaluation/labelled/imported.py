"""Position series as ebbset recordings that say that their loads were not commanded by ebbset, and back again.

The recording holds the samples as the core takes them in, and what an idle core made of them, so that `replay` runs it
like any other. It holds no armed set, because there was none: whoever judges it runs the detector open loop.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ebbset.controller.messages.events import RigAnnounced, Samples
from ebbset.controller.messages.soundness import is_sound_frame
from ebbset.controller.recording.reader import Recording
from ebbset.controller.recording.writer import RecordingWriter
from ebbset.controller.regulation.set_controller import SetController
from ebbset.models.contract.field_types import LOAD_N, Finite, Name, PlainText
from ebbset.models.contract.problems import UnusableFileError, problems_of
from ebbset.simulators.evaluation.labelled.positions import USUAL_HZ, PositionSeries

IMPORTED_FACT: Final = "imported"
LOADS_FACT: Final = "loads"
NOT_COMMANDED: Final = "not commanded by ebbset"
FRAME_SAMPLES: Final = 5
LOWEST_M: Final = 0.2
"""Where the lowest position is put: the zero of an encoder is anywhere."""
_BOOT: Final = "imported"
_ENCODER: Final = RigAnnounced(
    now_us=0,
    rig=_BOOT,
    boot_id=_BOOT,
    cables=1,
    telemetry="frames",
    sample_rate_hz=USUAL_HZ,
    has_force=False,
    max_load_n=LOAD_N[1],
    min_load_n=0.0,
    max_ramp_n_per_s=1.0,
    max_lease_ms=100,
)
"""What frames of an encoder are judged as: one cable without force. The other figures are looked at by nobody."""
_UNFIT: Final = re.compile(r"[^A-Za-z0-9_.\-]+")


class ImportedFacts(BaseModel):
    """What the metadata of an imported recording say: as JSON, in which a search for a lifter finds the name."""

    model_config = ConfigDict(frozen=True)

    set: Annotated[PlainText, Field(min_length=1, max_length=200)] = Field(description="name in the file it came from")
    lifter: Name = Field(description="pseudonym")
    exercise: Name = Field(description="what was lifted")
    zero_s: Finite = Field(description="time in that file at the recording's zero, seconds")


@dataclass(frozen=True, slots=True)
class ImportedSet:
    """What an imported recording holds: its facts, and samples of one cable, oldest first."""

    facts: ImportedFacts
    frames: tuple[Samples, ...]


def frames_of(series: PositionSeries) -> Iterator[Samples]:
    """The samples of a series as a rig would send them; a frame ends where the load changes.

    Args:
        series: at a rate that the wire contract allows.
    """
    t_us = np.round((series.t_s - series.t_s[0]) * 1e6).astype(np.int64)
    x = series.position_m - series.position_m.min() + LOWEST_M
    changes = set((np.flatnonzero(np.diff(series.load_n)) + 1).tolist())
    first, seq = 0, 0
    for end in range(1, len(t_us) + 1):
        if end - first < FRAME_SAMPLES and end not in changes and end < len(t_us):
            continue
        seq += 1
        yield Samples(
            now_us=int(t_us[end - 1]),
            boot_id=_BOOT,
            seq=seq,
            nonce=None,
            docked=False,
            applied_n=(float(series.load_n[end - 1]),),
            t_us=tuple(t_us[first:end].tolist()),
            position_m=(tuple(x[first:end].tolist()),),
            velocity_m_s=(None,),
            force_n=(None,),
        )
        first = end


def write_imported(
    series: PositionSeries, folder: Path, *, exercise: str, facts: Mapping[str, str], simulated: bool = False
) -> Path:
    """Write one set as a recording.

    Args:
        series: at a rate that the wire contract allows.
        folder: of the recording, which is named after the set.
        exercise: what was lifted.
        facts: further facts for the metadata, such as the file that it came from.
        simulated: nobody lifted it.

    Raises:
        ValidationError: a name that cannot be kept, of the set, the person or the exercise.
        FileExistsError: there is a file of that name.
        OSError: the file cannot be written.
    """
    told = ImportedFacts(set=series.name, lifter=series.person, exercise=exercise, zero_s=float(series.t_s[0]))
    path = folder / f"{file_stem(series.name)}.mcap"
    metadata = {
        **facts,
        "ebbset": version("ebbset"),
        LOADS_FACT: NOT_COMMANDED,
        IMPORTED_FACT: told.model_dump_json(),
        "rig": "imported",
    }
    if simulated:
        metadata["simulated"] = "true"
    controller = SetController({})
    with path.open("xb") as stream:
        writer = RecordingWriter(stream, metadata)
        for frame in frames_of(series):
            writer.add(frame, controller.handle(frame))
        writer.finish({})
    return path


def file_stem(name: str) -> str:
    """A file name for a set; two different sets never share one.

    Args:
        name: of the set.
    """
    fit = _UNFIT.sub("-", name).strip("-.")[:60]
    return fit if fit == name else f"{fit or 'set'}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def imported_set(recording: Recording, *, name: str) -> ImportedSet | None:
    """What an imported recording holds; None for one whose loads ebbset commanded.

    Args:
        recording: as read.
        name: what to call it in errors.

    Raises:
        UnusableFileError: its facts are not those that an import writes.
    """
    if recording.metadata.get(LOADS_FACT) != NOT_COMMANDED:
        return None
    try:
        facts = ImportedFacts.model_validate_json(recording.metadata.get(IMPORTED_FACT, ""))
    except ValidationError as error:
        raise UnusableFileError(f"{name}: imported: {problems_of(error)[0]}") from None
    frames = [item.event for item in recording.handled if isinstance(item.event, Samples)]
    return ImportedSet(facts, tuple(frame for frame in frames if is_sound_frame(frame, _ENCODER)))
