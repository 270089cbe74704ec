"""`RigAccess` to a simulated rig, without network or clock: what an integrator writes once for a real one.

Speaks to the firmware by contract commands only: it arms, renews the lease four times in its length, cites the newest
sample, and takes refusals for what they are.
"""

from __future__ import annotations

import math

import numpy as np

from ebbset.conformance.identification.quantities import (
    FloatArray,
    HoldTrace,
    Move,
    NotIdentifiedError,
    RigCapabilities,
)
from ebbset.controller.messages.actions import SendArm, SendLoad, SendRelease
from ebbset.models.contract.constants import RENEWALS_PER_LEASE
from ebbset.simulators.rig.firmware import AnyCommand
from ebbset.simulators.rig.sensors import Reading
from ebbset.simulators.rig.simulated_rig import SimulatedRig


class SimulatedAccess:
    """Access to one simulated rig; nobody lifts there but the hand that is guided.

    Args:
        rig: a rig whose person does not begin by itself (``ready_after_s=None``).
    """

    def __init__(self, rig: SimulatedRig) -> None:
        self._rig = rig
        self._nonce = f"identify-{rig.firmware.boot_id}"
        self._seq = 0
        self._lease_ms = rig.firmware.limits.max_lease_ms
        self._held = False

    @property
    def facts(self) -> RigCapabilities:
        """From what the firmware would announce."""
        own = self._rig.firmware.limits
        return RigCapabilities(
            cables=own.cables,
            max_load_n=own.max_load_n,
            min_load_n=own.min_load_n,
            max_ramp_n_per_s=own.max_ramp_n_per_s,
        )

    def arm(self, *, ceiling_n: float, floor_n: float) -> None:
        """Bind the rig."""
        own = self._rig.firmware.limits
        self._send(
            SendArm(
                nonce=self._nonce,
                seq=self._next_seq(),
                ceiling_n=(ceiling_n,) * own.cables,
                floor_n=(floor_n,) * own.cables,
                max_ramp_n_per_s=own.max_ramp_n_per_s,
                lease_ms=self._lease_ms,
            )
        )

    def hold(self, load_n: float, *, ramp_n_per_s: float, for_s: float, move: Move | None = None) -> HoldTrace:
        """Order the load, let the hand move, and record."""
        rig = self._rig
        n = rig.truth.shape[0]
        renew_s = self._lease_ms * 1e-3 / RENEWALS_PER_LEASE
        readings: list[Reading] = []
        told_t_s, told_n = [rig.clock_us() * 1e-6], [rig.applied_n]
        end_s, renewed_s = rig.t_s + for_s, -1.0
        if move is not None:
            rig.plant.guide(move.to_m, move.speed_m_s)
            self._held = True
        while rig.t_s < end_s:
            if renewed_s < 0 or rig.t_s - renewed_s >= renew_s:
                self._order(load_n, ramp_n_per_s)
                renewed_s = rig.t_s
            rig.advance(0, n)
            for notice in rig.watch(0, n, t_us=rig.clock_us()):
                if notice.kind.value not in ("docked", "undocked"):
                    raise NotIdentifiedError(f"rig event {notice.kind.value}; allowed: none during the routine")
            reading = rig.read()
            if reading is not None:
                readings.append(reading)
            told_t_s.append(rig.clock_us() * 1e-6)
            told_n.append(rig.applied_n)
        return _trace(readings, np.array(told_t_s), np.array(told_n))

    def release(self) -> None:
        """Let the rig go; the hand leads the handle home."""
        rig = self._rig
        self._send(SendRelease(nonce=self._nonce, seq=self._next_seq()))
        if self._held:
            rig.plant.guide(0.0, 0.3)
            rig.plant.advance(4_000)
            rig.plant.let_go()
            self._held = False

    def _order(self, load_n: float, ramp_n_per_s: float) -> None:
        rig = self._rig
        self._send(
            SendLoad(
                nonce=self._nonce,
                seq=self._next_seq(),
                target_n=(load_n,) * rig.firmware.limits.cables,
                ramp_n_per_s=ramp_n_per_s,
                lease_ms=self._lease_ms,
                cites_t_us=rig.clock_us(),
            )
        )

    def _send(self, command: AnyCommand) -> None:
        reply = self._rig.handle(command, t_us=self._rig.clock_us())
        if reply.refusal is not None:
            raise NotIdentifiedError(f"the rig refused {type(command).__name__}: {reply.refusal.value}")

    def _next_seq(self) -> int:
        self._seq += 1
        return self._seq


def _trace(readings: list[Reading], told_t_s: FloatArray, told_n: FloatArray) -> HoldTrace:
    """Readings as arrays; no force shows as not a number."""

    def column(name: str, cable: int) -> FloatArray:
        parts = [getattr(r, name)[cable] or (math.nan,) * len(r.t_us) for r in readings]
        return np.array([value for part in parts for value in part])

    cables = range(told_n.shape[1])
    return HoldTrace(
        t_s=np.array([t for r in readings for t in r.t_us]) * 1e-6,
        position_m=np.array([column("position_m", k) for k in cables]),
        velocity_m_s=np.array([column("velocity_m_s", k) for k in cables]),
        force_n=np.array([column("force_n", k) for k in cables]),
        told_t_s=told_t_s,
        told_n=told_n.T,
    )
