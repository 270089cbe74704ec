"""`RigAccess` to any rig that speaks the contract over MQTT, real or virtual, for the routine in `identification`.

The routine is written as plain blocking steps. The rig client therefore runs on an event loop in a thread of its own,
so that it keeps renewing the lease while a person is asked to move the handle. If that thread stops, the rig's own
lease unloads it. Never here: MQTT itself (`rig_client`), arithmetic (`identification`).
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Final, Self, TypeVar

import aiomqtt
import numpy as np
import structlog

from ebbset.conformance.identification.quantities import (
    FloatArray,
    HoldTrace,
    Move,
    NotIdentifiedError,
    RigCapabilities,
)
from ebbset.conformance.rig_client import RigClient, open_rig_client
from ebbset.conformance.rig_heard import NoAnswerError
from ebbset.controller.link.settings import BrokerSettings
from ebbset.models.contract.rig_messages import RigEventKind, RigIdentity, SampleFrame

_HARMLESS: Final = frozenset({RigEventKind.DOCKED, RigEventKind.UNDOCKED})
_DOCK_PAUSE_S: Final = 0.5
ResultT = TypeVar("ResultT")
_log = structlog.get_logger(__name__)


class MqttAccess:
    """A context manager: connects, finds the rig, and leaves it unloaded.

    Args:
        broker: where the rig is connected.
        rig: its name.
        ask: asks the person to move the handle and returns when the movement begins.
        patience_s: how long to wait for an announcement, frames and answers.
    """

    def __init__(
        self, broker: BrokerSettings, rig: str, *, ask: Callable[[Move], None], patience_s: float = 5.0
    ) -> None:
        self._broker = broker
        self._rig = rig
        self._ask = ask
        self._patience_s = patience_s
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name=f"rig client {rig}", daemon=True)
        self._connection = contextlib.AsyncExitStack()
        self._opened: RigClient | None = None
        self._looked_s = 0.0

    # --- connection ----------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        self._thread.start()
        try:
            self._call(self._connect())
            self._wait_for(self._is_online, "no announcement of the rig")
            self._wait_for(lambda: len(self._client.frames) > 1, "no sample frames; allowed: a rig that sends frames")
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    async def _connect(self) -> None:
        opening = open_rig_client(self._rig, self._broker, patience_s=self._patience_s)
        try:
            self._opened = await self._connection.enter_async_context(opening)
        except (aiomqtt.MqttError, OSError) as error:
            where = f"{self._broker.host}:{self._broker.resolved_port}"
            raise NotIdentifiedError(f"broker is {where}; allowed: one that can be reached ({error})") from None
        self._looked_s = self._opened.now_s

    def _close(self) -> None:
        """Unload the rig, disconnect and end the thread."""
        try:
            # Where the connection is already gone the rig's lease unloads it.
            with contextlib.suppress(NotIdentifiedError):
                self._call(self._connection.aclose())
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
            self._loop.close()
        for heard in [] if self._opened is None else self._opened.bad:
            _log.warning("bad_message", code=heard.message.code.value, detail=heard.message.detail)

    def _call(self, step: Coroutine[Any, Any, ResultT]) -> ResultT:
        """Run one step on the thread of the client and wait for its result."""
        running = asyncio.run_coroutine_threadsafe(step, self._loop)
        try:
            return running.result()
        except aiomqtt.MqttError as error:
            raise NotIdentifiedError(f"the connection to the broker was lost: {error}") from None
        except KeyboardInterrupt:
            running.cancel()
            raise

    @property
    def _client(self) -> RigClient:
        if self._opened is None:
            raise NotIdentifiedError("the rig has not announced itself; allowed: use as a context manager")
        return self._opened

    @property
    def _identity(self) -> RigIdentity:
        return self._client.identity

    def _is_online(self) -> bool:
        return bool(self._client.identities) and self._client.identity.online

    # --- waiting -------------------------------------------------------------------------------------------------

    def _trouble(self) -> str | None:
        """The first refusal or harmful event since the last look."""
        client, since_s = self._client, self._looked_s
        for heard in client.acks:
            if heard.at_s > since_s and heard.message.refusal is not None:
                return f"the rig refused command {heard.message.command_seq}: {heard.message.refusal}"
        for event in client.events:
            if event.at_s > since_s and event.message.kind not in _HARMLESS:
                return f"rig event {event.message.kind.value}; allowed: none during the routine"
        return None

    def _wait_for(self, ready: Callable[[], bool], lacking: str, patience_s: float | None = None) -> None:
        self._call(self._until(ready, lacking, self._patience_s if patience_s is None else patience_s))

    async def _until(self, ready: Callable[[], bool], lacking: str, patience_s: float) -> None:
        there = await self._client.wait_for(lambda: ready() or self._trouble() is not None, patience_s)
        self._raise_trouble()
        if not there:
            raise NotIdentifiedError(lacking)

    def _raise_trouble(self) -> None:
        trouble = self._trouble()
        if trouble is not None:
            self._looked_s = self._client.now_s
            raise NotIdentifiedError(trouble)

    async def _answered(self, command: Coroutine[Any, Any, object], lacking: str) -> None:
        """Send a command; an error says what the rig refused, or that it did not answer."""
        try:
            await command
        except NoAnswerError:
            self._raise_trouble()
            raise NotIdentifiedError(lacking) from None
        self._raise_trouble()

    # --- what the routine asks for -------------------------------------------------------------------------------

    @property
    def facts(self) -> RigCapabilities:
        """From the announcement."""
        identity = self._identity
        return RigCapabilities(
            cables=identity.cables,
            max_load_n=identity.max_load_n,
            min_load_n=identity.min_load_n,
            max_ramp_n_per_s=identity.max_ramp_n_per_s,
            simulated=identity.simulated,
        )

    def arm(self, *, ceiling_n: float, floor_n: float) -> None:
        """Bind the rig with these limits and its own steepest ramp.

        Args:
            ceiling_n: highest load, newtons per cable.
            floor_n: lowest load, newtons per cable.

        Raises:
            NotIdentifiedError: the rig refused or did not answer.
        """
        identity = self._identity
        arming = self._client.arm(
            ceiling_n=ceiling_n,
            floor_n=floor_n,
            ramp_n_per_s=identity.max_ramp_n_per_s,
            lease_ms=identity.max_lease_ms,
        )
        self._call(self._answered(arming, "the rig did not answer the arming"))

    def hold(self, load_n: float, *, ramp_n_per_s: float, for_s: float, move: Move | None = None) -> HoldTrace:
        """Order a load, ask for the movement, and record.

        Args:
            load_n: newtons on every cable.
            ramp_n_per_s: ramp of the change.
            for_s: how long to record, seconds of the rig's clock.
            move: what the person is asked to do meanwhile.

        Raises:
            NotIdentifiedError: the rig refused, reported an event or sent no more frames.
        """
        frames = self._client.frames
        since_us = frames[-1].message.t_us[-1]
        loading = self._client.load(load_n, ramp_n_per_s=ramp_n_per_s)
        self._call(self._answered(loading, "the rig did not answer a load"))
        if move is not None:
            self._ask(move)
            since_us = frames[-1].message.t_us[-1]
        end_us = since_us + round(for_s * 1e6)
        self._wait_for(
            lambda: frames[-1].message.t_us[-1] >= end_us, "sample frames stopped coming", for_s + self._patience_s
        )
        return _trace(self._call(self._frames_from(since_us)))

    async def _frames_from(self, since_us: int) -> list[SampleFrame]:
        """Frames that end at this rig time or later; on the client's thread, where no frame arrives meanwhile."""
        return [heard.message for heard in self._client.frames if heard.message.t_us[-1] >= since_us]

    def release(self) -> None:
        """Unload and release the rig; then ask for the handle back in its dock."""
        self._call(self._client.release())
        deadline_s = time.monotonic() + self._patience_s
        while not self._client.frames[-1].message.docked and time.monotonic() < deadline_s:
            self._ask(Move(0.0, 0.3))
            self._call(self._client.wait_for(lambda: self._client.frames[-1].message.docked, _DOCK_PAUSE_S))


def _trace(frames: list[SampleFrame]) -> HoldTrace:
    """Frames as arrays; the first frame only gives the load applied before the others."""
    first, recorded = frames[0], frames[1:]
    cables = range(len(first.cables))

    def column(name: str, cable: int) -> FloatArray:
        values: list[float] = []
        for frame in recorded:
            values += getattr(frame.cables[cable], name) or (np.nan,) * len(frame.t_us)
        return np.array(values, dtype=float)

    return HoldTrace(
        t_s=np.array([t for frame in recorded for t in frame.t_us]) * 1e-6,
        position_m=np.array([column("position_m", k) for k in cables]),
        velocity_m_s=np.array([column("velocity_m_s", k) for k in cables]),
        force_n=np.array([column("force_n", k) for k in cables]),
        told_t_s=np.array([frame.t_us[-1] for frame in frames]) * 1e-6,
        told_n=np.array([frame.applied_n for frame in frames]).T,
    )
