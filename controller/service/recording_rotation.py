"""One recording file for each set: which file is open, when the next one is due, and whether it can be begun.

A file is closed when its set is over; the next is begun when a person arms again, and what is heard in between is not
recorded. A new file is also due after an arming that was refused, after a recording that failed, and when a file
without a set has grown large. A file that holds no set is removed when the next one replaces it and when the service
ends. Never here: writing a file (`recording.writer`) and the core that each new file begins with (`serve`).
"""

from __future__ import annotations

import datetime
import platform
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np
import pydantic
import structlog

from ebbset.controller.link.mqtt_link import own_version
from ebbset.controller.link.settings import ServeSettings
from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Event, Requested
from ebbset.controller.recording.core_build import core_build
from ebbset.controller.recording.file_state import broken_off
from ebbset.controller.recording.writer import Recorder
from ebbset.models.contract.field_types import MOST_TEXT
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.problems import BadDocumentError, Problem

LEAST_FREE_BYTES: Final = 32 * 1024 * 1024
IDLE_FILE_BYTES: Final = 64 * 1024 * 1024
_log = structlog.get_logger(__name__)


class CannotRecordError(Exception):
    """The next set cannot be recorded; the text says why."""


class RecordingRotation:
    """The recording files of one running service.

    Args:
        settings: rig, broker protocol and the folder for recordings.
        began_at: wall-clock time at which the monotonic clock of the service was zero.
        facts: further facts for the metadata of every file, text to text.

    Raises:
        BadDocumentError: the folder cannot be written.
    """

    def __init__(self, settings: ServeSettings, began_at: datetime.datetime, facts: Mapping[str, str]) -> None:
        self._settings = settings
        self._began_at = began_at
        self._facts = dict(facts)
        self._holds_set = False
        self._set_over = False
        self._asked = False
        self.recorder = self._begin()
        self.paths: list[Path] = [self.recorder.path]

    def note_set(self) -> None:
        """The open file now holds a set, so the next set needs a file of its own."""
        if not self._holds_set:
            # Not sooner: whoever asks to arm until a rig is there begins, and loses, a file with each refusal.
            _log.info("recording_begun", path=str(self.recorder.path))
        self._holds_set = True

    def record(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take one handled input. After the end of a set nothing is recorded until the next file is begun.

        Args:
            event: the input.
            outputs: what it led to, in order.
        """
        if not self._set_over:
            self._asked = self._asked or (isinstance(event, Requested) and event.action is RequestAction.ARM)
            self.recorder.record(event, outputs)

    def end_set(self) -> None:
        """The set in the open file is over: the file is closed in the background, for whoever wants to read it now."""
        if self._holds_set:
            self._set_over = True
            self.recorder.end()

    @property
    def failure(self) -> str | None:
        """Why the open file does not hold all that was handled, for people; None while it does."""
        recorder = self.recorder
        if recorder.failure is not None:
            return recorder.failure[:MOST_TEXT]
        return f"the disk is too slow: {recorder.lost} inputs are missing so far" if recorder.lost else None

    @property
    def too_large(self) -> bool:
        """The open file is larger than one without a set should become."""
        return self.recorder.size_bytes > IDLE_FILE_BYTES

    def prepare(self) -> bool:
        """Make sure that the next set can be recorded in a file of its own.

        Returns:
            Whether a new file was begun; the caller then records everything from the start.

        Raises:
            CannotRecordError: the disk is nearly full, or no new file can be begun.
        """
        folder = self._settings.recordings
        try:
            free = shutil.disk_usage(folder).free
            if free < LEAST_FREE_BYTES:
                raise CannotRecordError(
                    f"recordings: {free} bytes are free in {folder}; allowed: at least {LEAST_FREE_BYTES}"
                )
            # An arming that was refused may have brought the profile of somebody else than the next one does.
            due = self._holds_set or self._asked or self.recorder.failure is not None or self.too_large
            if due:
                self._replace()
        except (OSError, BadDocumentError) as error:
            raise CannotRecordError(f"recordings: {error}") from error
        return due

    def close(self) -> None:
        """End the open file."""
        self._end_file()

    def _replace(self) -> None:
        following = self._begin()
        self._end_file()
        self.recorder = following
        self.paths.append(following.path)
        self._holds_set = self._set_over = self._asked = False

    def _end_file(self) -> None:
        recorder = self.recorder
        recorder.close()
        if recorder.failure is not None:
            return
        path = str(recorder.path)
        if self._holds_set:
            _log.info("recording_closed", path=path, lost=recorder.lost)
            return
        # Hours of waiting with nobody at the rig are not worth keeping.
        self.paths.remove(recorder.path)
        try:
            recorder.path.unlink(missing_ok=True)
        except OSError as error:
            # A file too many is no reason to refuse the next set, or to end the service as if a part had died.
            _log.warning("recording_not_removed", path=path, why=str(error))

    def _begin(self) -> Recorder:
        folder, rig = self._settings.recordings, self._settings.rig
        now = datetime.datetime.now(datetime.UTC)
        path = folder / f"{rig}-{now:%Y%m%dT%H%M%S%f}Z.mcap"
        metadata = {
            "rig": rig,
            "wall_clock_at_zero": self._began_at.isoformat(),
            "begun": now.isoformat(),
            "protocol": self._settings.broker.protocol,
            "pydantic": pydantic.VERSION,
            "ebbset": own_version(),
            "core": core_build(),
            "python": platform.python_version(),
            "numpy": np.__version__,
            **self._facts,
        }
        try:
            folder.mkdir(parents=True, exist_ok=True)
            recorder = Recorder(path, metadata)
        except OSError as error:
            problem = Problem("recordings", str(folder), f"a folder that can be written ({error})", "value")
            raise BadDocumentError("settings", [problem]) from None
        return recorder


def log_interrupted_run(settings: ServeSettings) -> bool:
    """Log a warning when the newest recording of this rig has no end; a person has to arm again in any case.

    Args:
        settings: rig and folder for recordings.

    Returns:
        Whether it has none.
    """
    # As `_begin` names them: another rig's name may begin with this one's.
    named = re.compile(re.escape(settings.rig) + r"-\d{8}T\d+Z?\.mcap")
    files = sorted(p for p in settings.recordings.glob("*.mcap") if named.fullmatch(p.name) and p.is_file())
    try:
        state = broken_off(files[-1]) if files else None
    except OSError as error:
        _log.warning("earlier_recording_unreadable", path=str(files[-1]), error=str(error))
        return False
    if state is not None:
        _log.warning("earlier_run_broke_off", path=str(files[-1]), state=state, next="un-armed until a person arms")
    return state is not None
