"""Recordings as an earlier version would have written them, for tests of replay."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest

from ebbset.controller.messages import codec
from ebbset.controller.recording.reader import Recording, parse_recording
from ebbset.controller.recording.writer import RecordingWriter
from tests.support.sessions import Pair


def recorded(pairs: list[Pair], monkeypatch: pytest.MonkeyPatch, *unknown: str, under_1_0: bool = False) -> Recording:
    """A recording whose version did not know some members; under 1.0 it also did not say which contract it spoke."""

    def without(value: Any) -> bytes:
        data = codec_to_json(value)
        for name in unknown:
            data = re.sub(rb'"%s":("[^"]*"|[^,}\[{]+),?' % name.encode(), b"", data)
        return data.replace(b",}", b"}")

    codec_to_json = codec.to_json
    stream = io.BytesIO()
    with monkeypatch.context() as patched:
        patched.setattr(codec, "to_json", without)
        writer = RecordingWriter(stream, {})
        for event, outputs in pairs:
            writer.add(event, outputs)
        writer.finish({})
    recording = parse_recording(stream.getvalue())
    assert recording.metadata["contract"] == "1.1"
    if under_1_0:
        del recording.metadata["contract"]
    return recording
