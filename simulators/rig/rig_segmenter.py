"""The segmenter of a simulated rig that sends only summaries of repetitions.

Plain rules on what its own sensors show, deliberately not the controller's segmenter, which must work with whatever a
rig sends. The first ascent out of the dock is the lifter taking the handle to the bottom of the movement.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from ebbset.models.contract.rig_messages import RepetitionOutcome
from ebbset.simulators.rig.sensors import Reading

_START_M: Final = 0.03
_START_M_S: Final = 0.06
_TURN_M: Final = 0.02
_STILL_M_S: Final = 0.03
_SLOW_M_S: Final = 0.1
_FOUGHT_US: Final = 250_000
_REST_US: Final = 200_000
_STUCK_US: Final = 700_000
_NOT_STARTED_US: Final = 4_000_000
_TOP_M: Final = 0.01
_FULL_SHARE: Final = 0.93
_LOADED_N: Final = 10.0


@dataclass(frozen=True, slots=True)
class Segment:
    """One concentric as the rig summarises it; columns per cable, SI units, rig time in microseconds."""

    t_start_us: int
    t_end_us: int
    outcome: RepetitionOutcome
    rom_m: tuple[float, ...]
    mean_velocity_m_s: tuple[float, ...]
    peak_velocity_m_s: tuple[float, ...]
    mean_force_n: tuple[float | None, ...]


@dataclass(slots=True)
class _Ascent:
    t_start_us: int
    start_m: tuple[float, ...]
    top_m: float
    path: list[tuple[int, float, tuple[float, ...]]]
    peak_m_s: list[float]
    force_sum_n: list[float]
    samples: int = 0
    still_since_us: int | None = None
    slow_since_us: int | None = None


@dataclass(slots=True)
class RigSegmenter:
    """Feed it readings; it returns the concentrics that ended in them.

    Args:
        rom_m: range of motion that the person set at the rig before the set.
    """

    rom_m: float
    _ascent: _Ascent | None = None
    _picked_up: bool = False
    _low_m: float = 0.0
    _low_us: int = 0
    _low_of_m: tuple[float, ...] = ()
    _still_since_us: int | None = None
    _reported: bool = False
    _found: list[Segment] = field(default_factory=list)

    def feed(self, reading: Reading, *, docked: bool, loaded_n: float) -> list[Segment]:
        """Look at a reading, oldest sample first.

        Args:
            reading: what the sensors showed.
            docked: the handle is in its dock.
            loaded_n: load applied, N.
        """
        for k, t_us in enumerate(reading.t_us):
            positions = tuple([column[k] for column in reading.position_m])
            velocities = [column[k] for column in reading.velocity_m_s]
            forces = [0.0 if column is None else column[k] for column in reading.force_n]
            x, v = sum(positions) / len(positions), sum(velocities) / len(velocities)
            if docked or loaded_n < _LOADED_N:
                self._ascent, self._picked_up, self._still_since_us = None, False, None
            elif self._ascent is None:
                self._between(t_us, x, v, positions)
            else:
                self._in_ascent(self._ascent, t_us, x, v, positions, velocities, forces)
        found, self._found = self._found, []
        if reading.force_n[0] is not None:
            return found
        nothing = (None,) * len(reading.force_n)
        return [
            Segment(s.t_start_us, s.t_end_us, s.outcome, s.rom_m, s.mean_velocity_m_s, s.peak_velocity_m_s, nothing)
            for s in found
        ]

    def _between(self, t_us: int, x: float, v: float, positions: tuple[float, ...]) -> None:
        """Waiting for an ascent; a handle that hangs at the bottom for long was not lifted."""
        if abs(v) >= _STILL_M_S:
            self._still_since_us = None
        elif self._still_since_us is None:
            self._still_since_us = t_us
        still_us = 0 if self._still_since_us is None else t_us - self._still_since_us
        if not self._picked_up:
            if still_us < _REST_US:
                return
            self._picked_up, self._low_m, self._reported = True, x, False
            self._low_us, self._low_of_m = t_us, positions
        if x <= self._low_m + 0.002:
            self._low_m, self._low_us, self._low_of_m = min(x, self._low_m), t_us, positions
        elif x > self._low_m + _START_M and v > _START_M_S:
            self._ascent = _Ascent(
                self._low_us,
                self._low_of_m,
                x,
                [],
                [0.0] * len(positions),
                [0.0] * len(positions),
            )
            self._reported = False
        if still_us > _NOT_STARTED_US and not self._reported and x < self._low_m + _START_M:
            self._reported = True
            zeros = (0.0,) * len(positions)
            self._found.append(
                Segment(t_us - still_us, t_us, RepetitionOutcome.NOT_STARTED, zeros, zeros, zeros, zeros)
            )

    def _in_ascent(
        self,
        ascent: _Ascent,
        t_us: int,
        x: float,
        v: float,
        positions: tuple[float, ...],
        velocities: list[float],
        forces: list[float],
    ) -> None:
        ascent.samples += 1
        for cable, (velocity, force) in enumerate(zip(velocities, forces, strict=True)):
            ascent.peak_m_s[cable] = max(ascent.peak_m_s[cable], velocity)
            ascent.force_sum_n[cable] += force
        if x > ascent.top_m:
            ascent.top_m = x
            ascent.path.append((t_us, x, positions))
        if v >= _STILL_M_S:
            ascent.still_since_us = None
        elif ascent.still_since_us is None:
            ascent.still_since_us = t_us
        if v >= _SLOW_M_S:
            ascent.slow_since_us = None
        elif ascent.slow_since_us is None:
            ascent.slow_since_us = t_us
        still_us = 0 if ascent.still_since_us is None else t_us - ascent.still_since_us
        slow_us = 0 if ascent.slow_since_us is None else t_us - ascent.slow_since_us
        whole = ascent.top_m - sum(ascent.start_m) / len(ascent.start_m) >= _FULL_SHARE * self.rom_m
        turned = x < ascent.top_m - _TURN_M
        if whole and (turned or still_us > _REST_US):
            self._end(ascent, RepetitionOutcome.COMPLETED)
        elif not whole and still_us > _STUCK_US:
            self._end(ascent, RepetitionOutcome.FAILED)
        elif not whole and turned:
            # Who turns back on purpose does so at speed; who is turned back was slow before.
            fought = slow_us > _FOUGHT_US
            self._end(ascent, RepetitionOutcome.FAILED if fought else RepetitionOutcome.PARTIAL)
        else:
            return
        self._low_m, self._low_us, self._low_of_m = x, t_us, positions

    def _end(self, ascent: _Ascent, outcome: RepetitionOutcome) -> None:
        self._ascent, self._still_since_us = None, None
        # The last centimetre is crept through by some and not by others, so the concentric ends where it begins.
        near = next((point for point in ascent.path if point[1] >= ascent.top_m - _TOP_M), None)
        t_end_us, _, ends_m = near if near is not None else (ascent.t_start_us, 0.0, ascent.start_m)
        tops_m = ascent.path[-1][2] if ascent.path else ascent.start_m
        rom_m = tuple(max(top - low, 0.0) for top, low in zip(tops_m, ascent.start_m, strict=True))
        duration_s = max(t_end_us - ascent.t_start_us, 1) * 1e-6
        self._found.append(
            Segment(
                t_start_us=ascent.t_start_us,
                t_end_us=t_end_us,
                outcome=outcome,
                rom_m=rom_m,
                mean_velocity_m_s=tuple(
                    max(end - low, 0.0) / duration_s for end, low in zip(ends_m, ascent.start_m, strict=True)
                ),
                peak_velocity_m_s=tuple(ascent.peak_m_s),
                mean_force_n=tuple(total / ascent.samples for total in ascent.force_sum_n),
            )
        )
