"""Writing a recording: every input the core handled, in the order handled, and every output it led to.

The file is MCAP (one channel a kind, JSON messages, JSON Schemas inside), so that other tools can read it. Chunks are
small, uncompressed and flushed by time, so that a crash loses at most half a second. Two members are added to each
JSON object: ``crc32`` over topic, sequence, time and data, so that each message can be trusted by itself whatever
happened to the rest of the file; and on inputs ``outputs``, how many outputs followed. ``sequence`` is the index of
the input; ``log_time`` is the controller's monotonic clock and ``publish_time`` the rig's clock where the kind has
one (else 0), both in nanoseconds; the wall clock at ``now_us = 0`` is in the metadata. Once a rig has announced that
it is simulated, the metadata record ``ebbset.simulated`` follows, for readers that look at metadata only.

A recording must never disturb a set. `Recorder` therefore encodes and writes in a thread of its own behind a
bounded queue and raises nothing: a full disk or any write error is logged once and counted, a set under way goes on
(ending it could not bring the recording back), and the next arming is refused until a new file can be written.
Never here: reading (`reader`), decisions.
"""

from __future__ import annotations

import contextlib
import contextvars
import functools
import json
import os
import threading
import time
import zlib
from collections import deque
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, Final

import structlog
from mcap.writer import CompressionType, IndexType, Writer

from ebbset.controller.estimation.judgement import VERSION as JUDGEMENT_VERSION
from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Decision, Output, RepetitionRecord
from ebbset.controller.messages.events import Acknowledged, Event, RepetitionSeen, RigAnnounced, RigReported, Samples
from ebbset.models.contract.wire import CONTRACT_VERSION

try:
    import fcntl
except ModuleNotFoundError:  # Windows, where readers do without the lock
    fcntl = None  # type: ignore[assignment]

PROFILE: Final = "ebbset"
FORMAT_VERSION: Final = "1"
JUDGEMENT_FACT: Final = "judgement"
"""A recording's metadata name under this the version of the figures by which its estimates were judged."""
MACHINE_CLOCK_FACT: Final = "machine_clock_at_zero_s"
"""And under this the monotonic clock of the controller's machine, seconds, where the recording's clock is zero."""
METADATA_BEGIN: Final = "ebbset.begin"
METADATA_END: Final = "ebbset.end"
METADATA_SIMULATED: Final = "ebbset.simulated"
FLUSH_INTERVAL_S: Final = 0.2
MAX_PENDING: Final = 20_000
TOPICS: Final = tuple(f"input/{kind}" for kind in codec.EVENT_KINDS) + tuple(
    f"output/{kind}" for kind in codec.OUTPUT_KINDS
)
"""Every channel, in the order in which a file numbers them from 1."""
_VERSIONS: Final = {"format": FORMAT_VERSION, "contract": CONTRACT_VERSION, JUDGEMENT_FACT: JUDGEMENT_VERSION}
_CHUNK_BYTES: Final = 256 * 1024

_log = structlog.get_logger(__name__)


def checksum(topic: str, sequence: int, log_time: int, data: bytes) -> int:
    """CRC-32 of one message with its place and time.

    Args:
        topic: channel name.
        sequence: index of the input.
        log_time: the controller's monotonic clock, nanoseconds.
        data: the JSON object without its closing brace and checksum.
    """
    return zlib.crc32(data, zlib.crc32(f"{topic}|{sequence}|{log_time}|".encode()))


def topic_of(value: Event | Output) -> str:
    """Channel name, e.g. ``input/samples`` or ``output/send_load``."""
    kind = codec.KINDS[type(value)]
    return f"{'input' if kind in codec.EVENT_KINDS else 'output'}/{kind}"


@functools.cache
def _schema_of(topic: str) -> bytes:
    """The schema of one channel. Kept, since making all of them takes longer than a sample may wait."""
    side, kind = topic.split("/")
    schema = codec.json_schema(kind)
    schema["properties"]["crc32"] = {"type": "integer", "description": "see recorder.checksum"}
    if side == "input":
        schema["properties"]["outputs"] = {"type": "integer", "description": "outputs that follow"}
    return json.dumps(schema).encode()


def _rig_time_us(value: Event | Output) -> int:
    if isinstance(value, Samples):
        return value.t_us[-1] if value.t_us else 0
    if isinstance(value, RepetitionSeen | RepetitionRecord):
        return value.t_end_us
    if isinstance(value, RigReported | Acknowledged):
        return value.t_us
    if isinstance(value, Decision):
        return value.t_rig_us or 0
    return 0


def mark_being_written(stream: IO[bytes]) -> None:
    """Lock a file until it is closed or its program has ended, so that readers can tell it from one that was cut."""
    if fcntl is not None:
        # A file system without locks, or a reader who looks just now, must not keep anybody from recording.
        with contextlib.suppress(OSError):
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)


class RecordingWriter:
    """The file format. Writes at once and raises errors: for simulations, conversions and `Recorder`.

    Args:
        stream: binary file open for writing, at its beginning.
        metadata: facts about this recording; text to text.

    Raises:
        OSError: from any method, whatever the stream raises.
    """

    def __init__(self, stream: IO[bytes], metadata: Mapping[str, str]) -> None:
        self._writer = Writer(
            stream,
            chunk_size=_CHUNK_BYTES,
            compression=CompressionType.NONE,
            index_types=IndexType.CHUNK | IndexType.METADATA,
        )
        self.handled = 0
        self.messages = 0
        self._said_simulated = False
        self._writer.start(profile=PROFILE, library=f"ebbset recording {FORMAT_VERSION}")
        self._writer.add_metadata(METADATA_BEGIN, {**_VERSIONS, **metadata})
        self._channels: dict[str, int] = {}
        for topic in TOPICS:
            kind = topic.split("/")[1]
            schema_id = self._writer.register_schema(f"ebbset.{kind}", "jsonschema", _schema_of(topic))
            self._channels[topic] = self._writer.register_channel(topic, "json", schema_id)

    def add(self, event: Event, outputs: Iterable[Output], index: int | None = None) -> None:
        """Append one handled input and what it led to.

        Args:
            event: the input.
            outputs: what it led to, in order.
            index: its number among the handled inputs, rising; left out, it follows the one before. A number left
                out shows as missing when the file is read.
        """
        found = tuple(outputs)
        if isinstance(event, RigAnnounced) and event.simulated and not self._said_simulated:
            self._said_simulated = True
            self._writer.add_metadata(METADATA_SIMULATED, {"rig": event.rig, "simulated": "true"})
        if index is not None:
            self.handled = index
        self._message(event, event.now_us, b',"outputs":%d' % len(found))
        for output in found:
            self._message(output, event.now_us, b"")
        self.handled += 1

    def flush(self) -> None:
        """Close the chunk under way and hand everything to the operating system."""
        self._writer.flush()  # type: ignore[no-untyped-call]

    def finish(self, facts: Mapping[str, str]) -> None:
        """Write the index and the end mark, which distinguishes a complete recording from a cut one."""
        self._writer.flush()  # type: ignore[no-untyped-call]
        self._writer.add_metadata(METADATA_END, {"handled": str(self.handled), **facts})
        self._writer.finish()  # type: ignore[no-untyped-call]

    def _message(self, value: Event | Output, now_us: int, extra: bytes) -> None:
        topic = topic_of(value)
        data = codec.to_json(value)[:-1] + extra
        log_time = max(now_us, 0) * 1_000
        sealed = data + b',"crc32":%d}' % checksum(topic, self.handled, log_time, data)
        self._writer.add_message(
            self._channels[topic],
            log_time=log_time,
            data=sealed,
            publish_time=max(_rig_time_us(value), 0) * 1_000,
            sequence=self.handled,
        )
        self.messages += 1


class Recorder:
    """Records in the background: ``record`` takes microseconds and raises nothing.

    Args:
        path: file to create; must not exist yet, unless it is a device.
        metadata: facts about this recording; text to text.
        flush_interval_s: how often what was handled goes to the disk.
        max_pending: inputs that may wait for a slow disk; more are counted and left out.

    Raises:
        OSError: the file cannot be created. Nothing raises later.
    """

    def __init__(
        self,
        path: Path,
        metadata: Mapping[str, str],
        *,
        flush_interval_s: float = FLUSH_INTERVAL_S,
        max_pending: int = MAX_PENDING,
    ) -> None:
        self.path = path
        self.failure: str | None = None
        self.size_bytes = 0
        self._refused = 0
        self._unwritten = 0
        self._batch: list[tuple[int, Event, tuple[Output, ...]]] = []
        self._max_pending = max_pending
        self._interval_s = flush_interval_s
        self._pending: deque[tuple[int, Event, tuple[Output, ...]]] = deque()
        self._handled = 0
        self._stream: IO[bytes] = path.open("wb" if path.is_char_device() else "xb")
        mark_being_written(self._stream)
        self._metadata = dict(metadata)
        self._complete_s = time.monotonic()
        self._closing = threading.Event()
        # In the context of whoever records, so that what is logged there bears the same rig.
        run = functools.partial(contextvars.copy_context().run, self._run)
        self._thread = threading.Thread(target=run, name=f"recorder {path.name}", daemon=True)
        self._thread.start()

    @property
    def lost(self) -> int:
        """Inputs handled that are not in the file."""
        return self._refused + self._unwritten

    @property
    def waiting(self) -> int:
        """Inputs handled that are not on the disk yet."""
        return len(self._pending) + len(self._batch)

    @property
    def lag_s(self) -> float:
        """Seconds since all that was handled was on the disk; 0 while it is."""
        return time.monotonic() - self._complete_s if self.waiting else 0.0

    def record(self, event: Event, outputs: tuple[Output, ...]) -> None:
        """Take one handled input; it counts as lost when the file has failed or the queue is full.

        Args:
            event: the input.
            outputs: what it led to, in order.
        """
        index, self._handled = self._handled, self._handled + 1
        if self.failure is None and len(self._pending) < self._max_pending:
            self._pending.append((index, event, outputs))
            return
        if self.failure is None and self._refused == 0:
            _log.error("recording_behind", path=str(self.path), pending=self._max_pending, lost_from=index)
        self._refused += 1

    def end(self) -> None:
        """Have what waits written and the file ended in the background; nothing may be recorded afterwards."""
        self._closing.set()

    def close(self, timeout_s: float = 5.0) -> None:
        """As `end`, and wait for it. Gives up on a disk that does not answer in time."""
        self.end()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            self._fail(f"the disk did not answer within {timeout_s:g} s")

    def _run(self) -> None:
        try:
            writer = RecordingWriter(self._stream, self._metadata)
            # At once, so that a program killed before the first flush leaves a file that says what it is.
            self._sync()
            while not self._closing.wait(self._interval_s):
                self._drain(writer)
            self._drain(writer)
            writer.finish({"handled": str(self._handled), "lost": str(self.lost)})
            self._sync()
        except Exception as error:
            # An error of the recording must not reach the set.
            self._fail(f"{type(error).__name__}: {error}")
            self._unwritten += len(self._batch) + len(self._pending)
            self._pending.clear()
        finally:
            try:
                self._stream.close()
            except OSError as error:
                self._fail(f"{type(error).__name__}: {error}")

    def _drain(self, writer: RecordingWriter) -> None:
        while self._pending:
            item = self._pending.popleft()
            # Kept until it is on the disk, so that a failure counts it.
            self._batch.append(item)
            index, event, outputs = item
            writer.add(event, outputs, index)
        if self._batch:
            writer.flush()
            self._sync()
            self.size_bytes = self._stream.tell()
            self._batch.clear()
        self._complete_s = time.monotonic()

    def _sync(self) -> None:
        self._stream.flush()
        os.fsync(self._stream.fileno())

    def _fail(self, why: str) -> None:
        if self.failure is None:
            self.failure = why
            _log.error("recording_failed", path=str(self.path), why=why, sets="a set under way goes on")
