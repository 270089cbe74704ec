"""A set controller for a program that has the drive in hand: no broker, no network, no message.

It does the bookkeeping that the wire does elsewhere: nonces, sequence numbers, acknowledgements, announcement, frames.
It decides nothing: regulator and guard are those that run everywhere. Every method may be called from any thread; the
driver's functions are called in the thread of whoever called.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import structlog

from ebbset.controller.embedding.driver import EmbeddedRig, LoadDriver
from ebbset.controller.messages.actions import (
    Answer,
    Command,
    Output,
    SendArm,
    SendLoad,
    SendRelease,
    SendUnload,
    SetResult,
)
from ebbset.controller.messages.events import (
    Acknowledged,
    Event,
    LinkUp,
    Requested,
    RigAnnounced,
    RigReported,
    Samples,
    Tick,
)
from ebbset.controller.messages.reasons import State
from ebbset.controller.policies.policy import PolicyFactory
from ebbset.controller.regulation.set_controller import SetController
from ebbset.controller.service.policy_registry import load_policies
from ebbset.models.contract.operator_messages import RequestAction
from ebbset.models.contract.prescription import Prescription
from ebbset.models.contract.profile import LifterProfile
from ebbset.models.contract.rig_messages import RigEventKind

FRAMES_PER_S: Final = 20.0
"""Samples go to the core in frames, this many a second; the contract asks for ten (our judgement)."""
DRIVER_FAILED: Final = "driver_failed"
_Row = tuple[int, tuple[float, ...], tuple[float, ...], tuple[float, ...] | None]
_log = structlog.get_logger(__name__)


def _monotonic_us() -> int:
    return time.monotonic_ns() // 1_000


def _plain(column: tuple[float, ...]) -> tuple[float, ...]:
    """The same numbers as Python's own: a driver may have numpy's, which a compiled core does not take."""
    return tuple([float(value) for value in column])


class EmbeddedController:
    """One rig's controller.

    Args:
        driver: the drive's two functions.
        rig: what the rig can do.
        handled: told each event and what it led to, in order; decisions, repetitions and the result are among that.
        policies: drop policies by name; the installed ones when None.
        clock_us: a clock that never goes back, microseconds; the machine's monotonic one unless another is given.

    Attributes:
        result: outcome of the last set, None before.
    """

    def __init__(
        self,
        driver: LoadDriver,
        rig: EmbeddedRig,
        *,
        handled: Callable[[Event, tuple[Output, ...]], None] = lambda _event, _outputs: None,
        policies: Mapping[str, PolicyFactory] | None = None,
        clock_us: Callable[[], int] = _monotonic_us,
    ) -> None:
        self.result: SetResult | None = None
        self._driver, self._rig, self._handled, self._clock_us = driver, rig, handled, clock_us
        self._core = SetController(load_policies() if policies is None else policies)
        self._lock = threading.RLock()
        self._waiting: deque[Event] = deque()
        self._handling = False
        self._boot_id = secrets.token_hex(6)
        self._drawn: str | None = None
        self._bound: str | None = None
        self._frames = self._events = self._requests = 0
        self._answer: Answer | None = None
        self._rows: list[_Row] = []
        self._frame_samples = max(round(rig.sample_rate_hz / FRAMES_PER_S), 1)
        self._applied_n: tuple[float, ...] = (0.0,) * rig.cables
        self._docked = False
        self._feed(LinkUp(now_us=clock_us()))  # in one program the link is always up
        self._feed(self._announcement())

    @property
    def state(self) -> State:
        """State of the set."""
        return self._core.state

    # --- what the driver tells -----------------------------------------------------------------------------------

    def sample(
        self,
        *,
        position_m: tuple[float, ...],
        velocity_m_s: tuple[float, ...],
        force_n: tuple[float, ...] | None,
        applied_n: tuple[float, ...],
        docked: bool,
        t_us: int | None = None,
    ) -> None:
        """One sample of every sensor; one value per cable.

        Args:
            position_m: cable paid out at the handle; 0 in the dock, growing in the concentric.
            velocity_m_s: of the handle, positive in the concentric.
            force_n: tension at the handle; None on a rig without a force cell.
            applied_n: load that the drive applies now, after its ramp.
            docked: the handle is in the dock.
            t_us: when it was taken, by a clock of the rig that never goes back; now by the controller's when None.

        Raises:
            ValueError: a column has another length than the rig has cables.
        """
        columns = {"position_m": position_m, "velocity_m_s": velocity_m_s, "force_n": force_n, "applied_n": applied_n}
        for name, column in columns.items():
            if column is not None and len(column) != self._rig.cables:
                raise ValueError(f"{name} is {len(column)} values long; allowed: {self._rig.cables}, one per cable")
        with self._lock:
            self._applied_n, self._docked = _plain(applied_n), bool(docked)
            at_us = self._clock_us() if t_us is None else int(t_us)
            tension_n = None if force_n is None else _plain(force_n)
            self._rows.append((at_us, _plain(position_m), _plain(velocity_m_s), tension_n))
            if len(self._rows) >= self._frame_samples:
                self._feed(self._frame())
                self.tick()

    def tick(self) -> None:
        """Time passed. Call it at least every 50 ms from something that goes on when no samples come."""
        with self._lock:
            self._feed(Tick(now_us=self._clock_us()))

    def report(self, kind: RigEventKind, detail: str = "") -> None:
        """Something happened at the rig: its stop, a limit, a fault, a lease that ran out.

        Args:
            kind: what.
            detail: for people.
        """
        with self._lock:
            self._events += 1
            now_us = self._clock_us()
            self._feed(
                RigReported(
                    now_us=now_us, boot_id=self._boot_id, seq=self._events, t_us=now_us, kind=kind, detail=detail
                )
            )

    # --- what a person asks --------------------------------------------------------------------------------------

    def arm(self, prescription: Prescription, *, cautions_shown: bool, profile: LifterProfile | None = None) -> Answer:
        """A person arms a set. Its answer says whether that was done, and if not, why.

        Args:
            prescription: the set.
            cautions_shown: they have been shown to the person at the rig; without it the answer is no.
            profile: of the lifter.
        """
        with self._lock:
            self._drawn = secrets.token_hex(8)
            request = self._request(RequestAction.ARM)
            return self._ask(
                replace(
                    request,
                    fresh_nonce=self._drawn,
                    prescription=prescription,
                    profile=profile,
                    cautions_shown=cautions_shown,
                )
            )

    def start(self) -> Answer:
        """A person starts the set that was armed last. Its answer says whether that was done."""
        with self._lock:
            return self._ask(replace(self._request(RequestAction.START), arming=self._drawn))

    def stop(self) -> None:
        """A person wants the load off, now; obeyed in every state, from anywhere."""
        with self._lock:
            self._feed(self._request(RequestAction.STOP))

    def release(self) -> None:
        """A person ends the arming; obeyed in every state, from anywhere."""
        with self._lock:
            self._feed(self._request(RequestAction.RELEASE))

    # --- bookkeeping ---------------------------------------------------------------------------------------------

    def _request(self, action: RequestAction) -> Requested:
        self._requests += 1
        return Requested(
            now_us=self._clock_us(),
            correlation_id=f"embedded-{self._requests}",
            action=action,
            operator="embedded",
        )

    def _ask(self, request: Requested) -> Answer:
        """Have a request handled. The driver answers at once, so the answer is there when everything is handled."""
        if self._handling:
            raise RuntimeError(f"{request.action.value} from within a callback; allowed: from outside, when it is over")
        self._answer = None
        self._feed(request)
        assert self._answer is not None  # every request is answered, an arming when its command is acknowledged
        return self._answer

    def _feed(self, event: Event) -> None:
        """Handle an event, and what it leads to, in order; one at a time, whoever calls from within."""
        self._waiting.append(event)
        if self._handling:
            return
        self._handling = True
        try:
            while self._waiting:
                self._handle(self._waiting.popleft())
        finally:
            self._handling = False

    def _handle(self, event: Event) -> None:
        outputs = self._core.handle(event)
        for output in outputs:
            if isinstance(output, SendArm | SendLoad | SendUnload | SendRelease):
                self._carry_out(output)
            elif isinstance(output, Answer):
                self._answer = output
            elif isinstance(output, SetResult):
                self.result = output
        self._handled(event, outputs)

    def _carry_out(self, command: Command) -> None:
        """Have the driver do it, and queue its acknowledgement."""
        refusal = None
        try:
            if isinstance(command, SendArm):
                self._bound = command.nonce
            elif isinstance(command, SendLoad):
                self._driver.hold(command.target_n, command.ramp_n_per_s, command.lease_ms)
            elif isinstance(command, SendUnload):
                self._driver.unload(command.ramp_n_per_s)
            else:
                self._bound = None
                self._driver.unload(self._rig.max_ramp_n_per_s)
        except Exception as error:
            # Whatever it is, the drive is not to be relied upon: the set ends, and says why.
            refusal = DRIVER_FAILED
            detail = f"{type(error).__name__}: {error}"[:200]
            _log.error("driver_failed", command=type(command).__name__, detail=detail)
            self.report(RigEventKind.FAULT, detail)
        now_us = self._clock_us()
        self._feed(
            Acknowledged(
                now_us=now_us,
                boot_id=self._boot_id,
                nonce=command.nonce,
                command_seq=command.seq,
                t_us=now_us,
                accepted=refusal is None,
                refusal=refusal,
                applied_n=self._applied_n,
                docked=self._docked,
            )
        )

    def _frame(self) -> Samples:
        rows, self._rows = self._rows, []
        t_us, positions, velocities, forces = zip(*rows, strict=True)
        cables = range(self._rig.cables)
        self._frames += 1
        return Samples(
            now_us=self._clock_us(),
            boot_id=self._boot_id,
            seq=self._frames,
            nonce=self._bound,
            docked=self._docked,
            applied_n=self._applied_n,
            t_us=t_us,
            position_m=tuple(tuple(row[k] for row in positions) for k in cables),
            velocity_m_s=tuple(tuple(row[k] for row in velocities) for k in cables),
            force_n=tuple(None if None in forces else tuple(row[k] for row in forces) for k in cables),
        )

    def _announcement(self) -> RigAnnounced:
        rig = self._rig
        return RigAnnounced(
            now_us=self._clock_us(),
            rig=rig.name,
            boot_id=self._boot_id,
            cables=rig.cables,
            telemetry=rig.telemetry,
            sample_rate_hz=rig.sample_rate_hz,
            has_force=rig.has_force,
            max_load_n=rig.max_load_n,
            min_load_n=rig.min_load_n,
            max_ramp_n_per_s=rig.max_ramp_n_per_s,
            max_lease_ms=rig.max_lease_ms,
            simulated=rig.simulated,
        )
