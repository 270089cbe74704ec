"""Reading recordings, whole or damaged: every message that can be trusted, and what is missing.

A file cut short or with bytes changed still yields every message whose own checksum holds; where the framing is lost,
reading continues at the next valid chunk. Damage is reported by place in the file and by index of the input.
Never here: writing (`writer`), re-running (`replay`).
"""

from __future__ import annotations

import hashlib
import json
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Output
from ebbset.controller.messages.events import Event, RigAnnounced
from ebbset.controller.recording.file_state import MAGIC, is_being_written
from ebbset.controller.recording.regular_files import read_regular
from ebbset.controller.recording.writer import METADATA_BEGIN, METADATA_END, METADATA_SIMULATED, TOPICS, checksum

# Record opcodes of the MCAP specification (mcap.dev/spec).
_HEADER, _SCHEMA, _CHANNEL, _MESSAGE, _CHUNK, _METADATA, _DATA_END = 0x01, 0x03, 0x04, 0x05, 0x06, 0x0C, 0x0F
_PREFIX: Final = struct.Struct("<BQ")
_MESSAGE_HEAD: Final = struct.Struct("<HIQQ")
# Times, size, checksum, compression (none: our chunks are plain) and length of the records.
_CHUNK_HEAD_BYTES: Final = 8 + 8 + 8 + 4 + 4 + 8
LARGEST_RECORDING_BYTES: Final = 1024 * 1024 * 1024
"""Far above the largest that a service writes; a recording is read as a whole."""
_SEAL: Final = re.compile(rb',"crc32":(\d{1,10})\}$')
_COUNT: Final = re.compile(rb',"outputs":(\d{1,6})$')


class BadRecordingError(ValueError):
    """The file is not an ebbset recording."""


@dataclass(frozen=True, slots=True)
class Handled:
    """One handled input and its outputs as found; ``expected_outputs`` were written.

    ``lacking`` names for each output the members that its version did not have and did not record.
    """

    index: int
    event: Event
    outputs: tuple[Output, ...]
    expected_outputs: int
    lacking: tuple[frozenset[str], ...]

    @property
    def whole(self) -> bool:
        """Every output that was written was found."""
        return len(self.outputs) == self.expected_outputs


@dataclass(frozen=True, slots=True)
class Recording:
    """What a file holds.

    ``metadata`` holds ``simulated`` = ``true`` where the rig announced it, or whoever recorded the set said so.
    ``missing`` are first and last index of inputs that were handled but cannot be read; None as the last where nobody
    knows how far they went. ``problems`` are sentences about places in the file. ``finished`` tells a file that was
    ended from one that was cut. ``damaged`` says that messages are lost at a place behind which the file goes on,
    ``being_written`` that the program that writes it was at work when it was read.
    """

    metadata: dict[str, str]
    end: dict[str, str]
    handled: tuple[Handled, ...]
    missing: tuple[tuple[int, int | None], ...]
    problems: tuple[str, ...]
    finished: bool
    damaged: bool = False
    being_written: bool = False

    @property
    def simulated(self) -> bool:
        """The rig announced it, or whoever recorded the set said so."""
        return self.metadata.get("simulated") == "true"

    @property
    def whole(self) -> bool:
        """Nothing is missing: every input and output that was handled is here."""
        return self.finished and not self.missing and all(item.whole for item in self.handled)

    @property
    def only_cut(self) -> bool:
        """Nothing is missing but the end: the file is cut, or still being written."""
        gaps = any(last is not None for _, last in self.missing)
        return not (self.finished or self.damaged or gaps) and all(item.whole for item in self.handled[:-1])


@dataclass(slots=True)
class _Found:
    """What has been read so far."""

    # Channels are numbered alike in every file, so that one with its first chunk damaged can still be read; the
    # checksum, which covers the topic, tells when they are not.
    topics: dict[int, str] = field(default_factory=lambda: dict(enumerate(TOPICS, start=1)))
    begin: dict[str, str] = field(default_factory=dict)
    end: dict[str, str] | None = None
    simulated: bool = False
    damaged: bool = False
    problems: list[str] = field(default_factory=list)
    inputs: dict[int, tuple[Event, int]] = field(default_factory=dict)
    outputs: dict[int, list[Output]] = field(default_factory=dict)
    lacking: dict[int, list[frozenset[str]]] = field(default_factory=dict)

    def note_loss(self, sentence: str) -> None:
        """Keep a sentence about a place at which messages are lost though the file goes on."""
        self.problems.append(sentence)
        self.damaged = True


def read_recording(path: Path) -> Recording:
    """Everything that can be trusted in a recording.

    Raises:
        BadRecordingError: the file holds no message and no metadata of an ebbset recording.
        UnusableFileError: the file cannot be read, is not a regular file, or is too large.
    """
    being_written = is_being_written(path)
    try:
        found = parse_recording(read_regular(path, LARGEST_RECORDING_BYTES), name=str(path))
    except BadRecordingError:
        if being_written:
            raise BadRecordingError(f"{path} is still being written and holds nothing yet") from None
        raise
    return replace(found, being_written=being_written and not found.finished)


def parse_recording(data: bytes, *, name: str = "recording") -> Recording:
    """As `read_recording`, from the bytes of a file.

    Args:
        data: the whole file.
        name: what to call it in errors.

    Raises:
        BadRecordingError: the bytes hold no message and no metadata of an ebbset recording.
    """
    found = _Found()
    if not data.startswith(MAGIC):
        found.problems.append("byte 0: the file does not begin as MCAP files do")
    for opcode, offset, content, cut in _records(data, found):
        if opcode == _CHUNK:
            _read_chunk(content, offset, found, cut=cut)
        elif opcode == _METADATA:
            _read_metadata(content, offset, found)
    if not found.begin and not found.inputs:
        raise BadRecordingError(f"{name} contains no part of a recording; allowed: a file that ebbset recorded")
    return _assemble(found)


def _records(data: bytes, found: _Found) -> Iterator[tuple[int, int, bytes, bool]]:
    """Top-level records of the data section: opcode, offset, content as far as it goes, and whether that is cut."""
    at = len(MAGIC)
    while at < len(data):
        if at + _PREFIX.size > len(data):
            found.problems.append(f"byte {at}: the file ends in the middle of a record")
            return
        opcode, length = _PREFIX.unpack_from(data, at)
        begin = at + _PREFIX.size
        if opcode == _CHUNK:
            length = _chunk_length(data, begin, length)
        cut = begin + length > len(data)
        if not _plausible(opcode, data[begin : begin + length], length) or (
            cut and _next_chunk(data, begin) is not None
        ):
            found.problems.append(f"byte {at}: no record of a known kind begins here")
            # A machine that lost its power may leave a file that ends in zeros, which is a cut.
            found.damaged = found.damaged or any(data[at:])
            following = _next_chunk(data, at + 1)
            if following is None:
                return
            at = following
            continue
        if opcode == _DATA_END:
            return
        if cut:
            lacking = begin + length - len(data)
            found.problems.append(f"byte {at}: the file ends {lacking} bytes before the end of a record")
        yield opcode, at, data[begin : begin + length], cut
        at = begin + length


def _chunk_length(data: bytes, begin: int, length: int) -> int:
    """Length of a chunk's content: it is stored twice, and the checksum shows which one is right."""
    if begin + _CHUNK_HEAD_BYTES > len(data):
        return length
    crc, inner = struct.unpack_from("<I4xQ", data, begin + 24)
    records = begin + _CHUNK_HEAD_BYTES
    for candidate in (length, _CHUNK_HEAD_BYTES + inner):
        if begin + candidate <= len(data) and zlib.crc32(data[records : begin + candidate]) == crc:
            return int(candidate)
    return length if length == _CHUNK_HEAD_BYTES + inner else 2**63


def _plausible(opcode: int, content: bytes, length: int) -> bool:
    """A record of this kind can be this long, going by the lengths inside it."""
    if opcode not in (_HEADER, _CHUNK, _METADATA, _DATA_END) or length > 2**31:
        return False
    if opcode in (_HEADER, _METADATA) and len(content) == length:
        try:
            at = _text(content, 0)[1]
            return (_text(content, at)[1] if opcode == _HEADER else at + 4 + _size(content, at)) == length
        except (struct.error, ValueError):
            return False
    return True


def _next_chunk(data: bytes, at: int) -> int | None:
    """Offset of the next chunk whose checksum holds, or None."""
    while (at := data.find(bytes([_CHUNK]), at)) >= 0:
        begin = at + _PREFIX.size
        if begin + _CHUNK_HEAD_BYTES <= len(data):
            length = _PREFIX.unpack_from(data, at)[1]
            crc, inner = struct.unpack_from("<I4xQ", data, begin + 24)
            records, end = begin + _CHUNK_HEAD_BYTES, begin + length
            framed = inner > 0 and length == _CHUNK_HEAD_BYTES + inner and end <= len(data)
            if framed and zlib.crc32(data[records:end]) == crc:
                return at
        at += 1
    return None


def _read_chunk(content: bytes, offset: int, found: _Found, *, cut: bool) -> None:
    head = _CHUNK_HEAD_BYTES
    if len(content) <= head:
        return
    crc = struct.unpack_from("<I", content, 24)[0]
    if zlib.crc32(content[head:]) != crc:
        found.problems.append(f"byte {offset}: this chunk is damaged; its messages count one by one")
    at = head
    while at + _PREFIX.size <= len(content):
        opcode, length = _PREFIX.unpack_from(content, at)
        begin, at = at + _PREFIX.size, at + _PREFIX.size + length
        if at > len(content):
            found.damaged = found.damaged or not cut
            return
        record = content[begin:at]
        if opcode == _CHANNEL:
            _read_channel(record, found)
        elif opcode == _MESSAGE:
            _read_message(record, offset, found)
        elif opcode != _SCHEMA:
            found.damaged = True
            return


def _size(record: bytes, at: int) -> int:
    return int(struct.unpack_from("<I", record, at)[0])


def _text(record: bytes, at: int) -> tuple[str, int]:
    end = at + 4 + _size(record, at)
    if end > len(record):
        raise ValueError("text runs past its record")
    return record[at + 4 : end].decode(), end


def _read_channel(record: bytes, found: _Found) -> None:
    try:
        channel = struct.unpack_from("<H", record, 0)[0]
        found.topics[channel] = _text(record, 4)[0]
    except (struct.error, ValueError):
        # A damaged channel shows by its messages, whose checksums then do not hold.
        return


def _read_metadata(content: bytes, offset: int, found: _Found) -> None:
    try:
        name, at = _text(content, 0)
        end, at, facts = at + 4 + _size(content, at), at + 4, {}
        while at < end:
            key, at = _text(content, at)
            facts[key], at = _text(content, at)
    except (struct.error, ValueError):
        found.problems.append(f"byte {offset}: facts about the recording are damaged")
        return
    if name == METADATA_BEGIN:
        found.begin = facts
    elif name == METADATA_END:
        found.end = facts
    elif name == METADATA_SIMULATED:
        found.simulated = True


def _read_message(record: bytes, offset: int, found: _Found) -> None:
    if len(record) < _MESSAGE_HEAD.size:
        return
    channel, sequence, log_time, _ = _MESSAGE_HEAD.unpack_from(record, 0)
    sealed, topic = record[_MESSAGE_HEAD.size :], found.topics.get(channel, "")
    seal = _SEAL.search(sealed)
    if seal is None or int(seal[1]) != checksum(topic, sequence, log_time, data := sealed[: seal.start()]):
        found.note_loss(f"byte {offset}: a message in this chunk is damaged")
        return
    side, _, kind = topic.partition("/")
    count = _COUNT.search(data)
    try:
        value: Any = codec.from_json(kind, data + b"}")
    except codec.BadRecordError as error:
        found.note_loss(f"byte {offset}: input {sequence}: this version cannot read it: {error}")
        return
    if side == "input":
        found.inputs[sequence] = (value, int(count[1]) if count is not None else 0)
    else:
        found.outputs.setdefault(sequence, []).append(value)
        found.lacking.setdefault(sequence, []).append(codec.lacking(kind, data))


def _assemble(found: _Found) -> Recording:
    handled = tuple(
        Handled(
            index, event, tuple(found.outputs.get(index, ())), expected, lacking=tuple(found.lacking.get(index, ()))
        )
        for index, (event, expected) in sorted(found.inputs.items())
    )
    missing: list[tuple[int, int | None]] = []
    expected = 0
    for item in handled:
        if item.index > expected:
            missing.append((expected, item.index - 1))
        expected = item.index + 1
    if found.end is None:
        missing.append((expected, None))
    elif (total := _number(found.end.get("handled"))) is not None and total > expected:
        missing.append((expected, total - 1))
    simulated = found.simulated or any(isinstance(i.event, RigAnnounced) and i.event.simulated for i in handled)
    return Recording(
        metadata=found.begin | ({"simulated": "true"} if simulated else {}),
        end=found.end or {},
        handled=handled,
        missing=tuple(missing),
        problems=tuple(found.problems),
        finished=found.end is not None,
        damaged=found.damaged,
    )


def _number(text: str | None) -> int | None:
    return int(text) if text is not None and text.isascii() and text.isdigit() else None


def describe_missing(recording: Recording) -> tuple[str, ...]:
    """Sentences for people: what is missing from a recording; empty if it is complete."""
    said = list(recording.problems)
    for first, last in recording.missing:
        if last is None and recording.being_written:
            said.append(f"the recording is still being written: it holds what was handled before input {first}")
        elif last is None:
            said.append(f"the recording has no end: everything handled from input {first} on is missing")
        else:
            said.append(f"inputs {first} to {last} are missing")
    said.extend(
        f"input {item.index}: only {len(item.outputs)} of its {item.expected_outputs} outputs are present"
        for item in recording.handled
        if not item.whole
    )
    return tuple(said)


def as_plain(value: Event | Output) -> dict[str, Any]:
    """The value as plain JSON data, for comparing and showing."""
    plain: dict[str, Any] = json.loads(codec.to_json(value))
    return plain


def file_digest(path: Path) -> str:
    """SHA-256 of a recording's bytes, as hexadecimal.

    Raises:
        UnusableFileError: the file cannot be read, is not a regular file, or is too large.
    """
    return hashlib.sha256(read_regular(path, LARGEST_RECORDING_BYTES)).hexdigest()
