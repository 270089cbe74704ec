"""Messages as they reach a centre: the reports of a kept recording's set, under other names and nonces; health."""

from __future__ import annotations

import functools
import json
import lzma
import tempfile
from pathlib import Path

from ebbset.controller.messages import codec
from ebbset.controller.messages.actions import Decision, RepetitionRecord, SetResult
from ebbset.controller.recording.reader import read_recording

SOURCE = Path(__file__).parents[1] / "data" / "recordings" / "drops.mcap.xz"


@functools.cache
def _told() -> list[tuple[str, dict[str, object]]]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "kept.mcap"
        path.write_bytes(lzma.decompress(SOURCE.read_bytes()))
        outputs = [output for item in read_recording(path).handled for output in item.outputs]
    sent = [codec.to_wire(output) for output in outputs if isinstance(output, Decision | RepetitionRecord | SetResult)]
    told = [(topic.value, json.loads(payload)) for topic, payload in sent]
    return [(topic, message) for topic, message in told if message["nonce"] is not None]


def set_reports(rig: str, nonce: str) -> list[tuple[str, bytes]]:
    """Topics at a site, and payloads, of all reports of one set; the result is the last."""
    return [(f"ebbset/v1/{rig}/{topic}", json.dumps(message | {"nonce": nonce}).encode()) for topic, message in _told()]


def set_messages(site: str, rig: str, nonce: str) -> list[tuple[str, bytes]]:
    """The same under the topics that they have at a centre."""
    return [(f"sites/{site}/{topic}", payload) for topic, payload in set_reports(rig, nonce)]


def health(site: str, at_s: float, *, healthy: bool = True) -> tuple[str, bytes]:
    """A site's report of its health, at a centre."""
    return f"sites/{site}/health", json.dumps({"at_s": at_s, "healthy": healthy, "rigs": {}, "workers": {}}).encode()
