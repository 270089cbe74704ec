"""Runs a segmenter over a set of known truth through a rig's sensors, and scores what it saw against the truth.

Here are telemetry of every quality for one true set, the segmenter's signals with their true times, and one row per
attempt. Statistics over many sets are in `stalls`.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from ebbset.controller.detection.segmenter import RepetitionSegmenter
from ebbset.controller.detection.signals import ReleaseSeen, Signal, StallSeen
from ebbset.simulators.evaluation.ground_truth import Attempt, TrueSet, Unaided
from ebbset.simulators.rig.sensors import Reading, SensorParameters, Sensors

FloatArray = npt.NDArray[np.float64]
TOP_SHARE: Final = 0.96
"""A stall above this share of the range counts as a repetition by the segmenter's own definition; it is left out."""
LARGEST_READING: Final = 2_000
"""Samples measured at once; `Sensors` draws its noise in blocks of 4096."""
WHOLE_SHARE: Final = 0.87
"""An ascent that its lifter ends below this share is no repetition (0.85 by definition, and a margin for the
sensors), whoever ended it: neither a stall nor a false drop."""


@dataclass(frozen=True, slots=True)
class TelemetryQuality:
    """How good the telemetry is.

    Attributes:
        sensors: sensors and sampling.
        velocity: the rig reports velocity.
        force: the rig reports force.
        lost: part of frames that never arrive.
        frame: samples in a frame.
    """

    sensors: SensorParameters = field(default_factory=SensorParameters)
    velocity: bool = True
    force: bool = True
    lost: float = 0.0
    frame: int = 5


RATES: Final[dict[str, TelemetryQuality]] = {
    "1000 Hz": TelemetryQuality(SensorParameters(sample_rate_hz=1000.0), frame=20),
    "200 Hz": TelemetryQuality(SensorParameters(sample_rate_hz=200.0)),
    "100 Hz": TelemetryQuality(),
    "50 Hz": TelemetryQuality(SensorParameters(sample_rate_hz=50.0), frame=2),
    "20 Hz": TelemetryQuality(SensorParameters(sample_rate_hz=20.0), frame=1),
    "no force sensor": TelemetryQuality(force=False),
    "no velocity": TelemetryQuality(SensorParameters(encoder_step_m=3e-4), velocity=False),
    "velocity noisy": TelemetryQuality(SensorParameters(velocity_noise_sd_m_s=0.05, encoder_step_m=1e-3)),
    "jitter and 10 % lost": TelemetryQuality(SensorParameters(sampling_jitter_sd_s=0.003), lost=0.1),
}


@dataclass(frozen=True, slots=True)
class UnaidedRun:
    """What a copy of the segmenter made of an attempt without the drop that ended it.

    Attributes:
        attempt: its number in the set.
        segmenter: the copy.
        signals: from the drop on.
    """

    attempt: int
    segmenter: RepetitionSegmenter
    signals: list[Signal]


@dataclass(frozen=True, slots=True)
class Measured:
    """What a segmenter made of a set: its signals, and the rig clock against true time.

    Attributes:
        signals: oldest first.
        true_s: true time at which the rig clock shows so many microseconds.
        unaided: one for each attempt that a drop ended in mid-ascent.
    """

    signals: list[Signal]
    true_s: Callable[[int], float]
    unaided: tuple[UnaidedRun, ...] = ()


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """One attempt and what the segmenter reported of it; times in true seconds, NaN if it did not happen."""

    stalled: bool
    counted: bool
    fired_s: float
    late_s: float
    motion_ended_s: float
    end_s: float
    slowest_m_s: float
    moved: bool
    behaviour: str
    exercise: str

    @property
    def latency_s(self) -> float:
        """From the end of motion to the call; infinite if there was none before the attempt ended."""
        return self.fired_s - self.motion_ended_s if self.fired_s == self.fired_s else np.inf


@dataclass(slots=True)
class SetScore:
    """Attempts of a set, stalls called where there was no attempt at all, and its release."""

    rows: list[AttemptRow] = field(default_factory=list)
    stray: int = 0
    cut_short_called: int = 0
    release_latency_s: float | None = None
    false_releases: int = 0


def measure(
    item: TrueSet, segmenter: RepetitionSegmenter, telemetry: TelemetryQuality, rng: np.random.Generator
) -> Measured:
    """Feed a set to a segmenter through sensors, and tell it of each drop when it happened.

    Args:
        item: the set.
        segmenter: a fresh one.
        telemetry: how good the telemetry is.
        rng: source of the sensors' noise and of lost frames.
    """
    p = telemetry.sensors
    stride = round(1000.0 / p.sample_rate_hz)
    truth = np.stack([item.t_s, item.position_m, item.velocity_m_s, item.tension_n], axis=1)[stride - 1 :: stride]
    sensors = Sensors(p, cables=1, rng=rng)
    drops = [(sensors.clock_us(t), load_n, settle_s) for t, load_n, settle_s in item.drops]
    applied = item.applied_n[stride - 1 :: stride].tolist()
    docked = item.docked[stride - 1 :: stride].tolist()
    without = {one.drop: one for one in item.unaided}
    signals: list[Signal] = []
    unaided: list[UnaidedRun] = []
    told = 0
    block = LARGEST_READING // telemetry.frame * telemetry.frame
    for first in range(0, len(truth), block):
        reading = sensors.read(np.ascontiguousarray(truth[first : first + block, None, :]))
        if reading is None:
            continue
        frames = _Frames(reading, telemetry)
        for k in range(0, len(reading.t_us), telemetry.frame):
            end = min(k + telemetry.frame, len(reading.t_us))
            while told < len(drops) and reading.t_us[end - 1] >= drops[told][0]:
                if told in without:
                    before = truth[first + k : first + end]
                    before = before[before[:, 0] <= item.drops[told][0]]
                    unaided.append(
                        _run_unaided(without[told], before, segmenter, telemetry, applied[first + k - 1], rng)
                    )
                segmenter.load_dropped(reading.t_us[end - 1], drops[told][1], drops[told][2])
                told += 1
            if telemetry.lost and rng.random() < telemetry.lost:
                continue
            signals += frames.feed(segmenter, k, end, applied[first + end - 1], docked=docked[first + end - 1])
    return Measured(signals, sensors.true_s, tuple(unaided))


@dataclass(frozen=True, slots=True)
class _Frames:
    """A reading cut into frames, without the columns that the rig does not report."""

    reading: Reading
    telemetry: TelemetryQuality

    def feed(
        self, segmenter: RepetitionSegmenter, first: int, end: int, load_n: float, *, docked: bool
    ) -> list[Signal]:
        """Give a segmenter the samples from ``first`` up to ``end``."""
        one, force_n = self.reading, self.reading.force_n[0]
        return segmenter.feed(
            one.t_us[first:end],
            one.position_m[0][first:end],
            one.velocity_m_s[0][first:end] if self.telemetry.velocity else None,
            force_n[first:end] if self.telemetry.force and force_n is not None else None,
            load_n=load_n,
            docked=docked,
        )


def _run_unaided(
    one: Unaided,
    before: FloatArray,
    segmenter: RepetitionSegmenter,
    telemetry: TelemetryQuality,
    load_n: float,
    rng: np.random.Generator,
) -> UnaidedRun:
    """Let a copy of the segmenter see how the attempt goes on without its drop, after the samples just ``before``."""
    stride = round(1000.0 / telemetry.sensors.sample_rate_hz)
    at_ms = np.round(one.samples[:, 0] * 1000.0)
    samples = np.concatenate([before, one.samples[at_ms % stride == 0]])
    copied = copy.deepcopy(segmenter)
    signals: list[Signal] = []
    # of its own noise, so that the set itself is measured as if nobody had looked
    sensors = Sensors(telemetry.sensors, cables=1, rng=rng.spawn(1)[0])
    reading = sensors.read(np.ascontiguousarray(samples[:, None, :])) if len(samples) else None
    if reading is not None:
        frames = _Frames(reading, telemetry)
        for k in range(0, len(samples), telemetry.frame):
            signals += frames.feed(copied, k, min(k + telemetry.frame, len(samples)), load_n, docked=False)
    return UnaidedRun(one.attempt, copied, signals)


def score_set(item: TrueSet, measured: Measured) -> SetScore:
    """Match the stalls that were called to attempts.

    Args:
        item: the set.
        measured: what a segmenter made of it.
    """

    def called_s(signals: Sequence[Signal]) -> list[float]:
        return [measured.true_s(s.t_us) for s in signals if isinstance(s, StallSeen)]

    unaided = {one.attempt: called_s(one.signals) for one in measured.unaided}
    fires = called_s(measured.signals)
    out = score_calls(item.attempts, fires, behaviour=item.behaviour, exercise=item.exercise, unaided=unaided)
    _score_releases(item, measured, out)
    return out


def score_calls(
    attempts: Sequence[Attempt],
    fires: Sequence[float],
    *,
    behaviour: str,
    exercise: str,
    unaided: Mapping[int, Sequence[float]] | None = None,
) -> SetScore:
    """Match stalls that were called, by whomever, to attempts of which it is known how they ended.

    Args:
        attempts: oldest first.
        fires: when a stall was called, on the clock of the attempts, seconds, oldest first.
        behaviour: kind of set, for tables.
        exercise: its name, for tables.
        unaided: for attempts that a drop ended before the lifter would have given in, by their number: when a stall
            was called without that drop, seconds; they end when the lifter gives in.
    """
    out = SetScore()
    used = [False] * len(fires)
    without = unaided or {}
    for number, attempt in enumerate(attempts):
        high = attempt.end_s + 0.01
        low = attempt.start_s + (0.0 if attempt.continued else -0.05)
        mine = [k for k, t in enumerate(fires) if low <= t <= high and not used[k]]
        # until the next attempt, whoever failed still stands under a load that was too heavy
        after_s = attempts[number + 1].start_s - 0.05 if number + 1 < len(attempts) else np.inf
        until_s = max(after_s, attempt.end_s + 1.5)
        late = [k for k, t in enumerate(fires) if high < t <= until_s] if attempt.stalled else []
        for k in (*mine, *late):
            used[k] = True
        called_s = fires[mine[0]] if mine else np.nan
        end_s = attempt.end_s
        if number in without:
            end_s = max(end_s, attempt.failed_s)
            if not mine:
                called_s = next((t for t in without[number] if t <= end_s + 0.01), np.nan)
        out.rows.append(
            AttemptRow(
                stalled=attempt.stalled,
                counted=attempt.end_share <= TOP_SHARE if attempt.stalled else attempt.end_share >= WHOLE_SHARE,
                fired_s=called_s,
                late_s=fires[late[0]] if late and called_s != called_s else np.nan,
                motion_ended_s=attempt.motion_ended_s,
                end_s=end_s,
                slowest_m_s=attempt.slowest_m_s,
                moved=attempt.motion_ended_s > attempt.start_s + 0.02,
                behaviour=behaviour,
                exercise=exercise,
            )
        )
    out.cut_short_called = _cut_short_called(attempts, fires, used)
    out.stray = used.count(False)
    return out


def _cut_short_called(attempts: Sequence[Attempt], fires: Sequence[float], used: list[bool]) -> int:
    """Count stalls called for ascents cut short, and mark them as used."""
    called = 0
    for attempt in attempts:
        if attempt.stalled or attempt.end_share >= WHOLE_SHARE:
            continue
        for k, t in enumerate(fires):
            # If such an ascent is called at all, then when the handle turns back, which is after its end.
            if not used[k] and attempt.end_s < t <= attempt.end_s + 2.0:
                used[k] = True
                called += 1
    return called


def _score_releases(item: TrueSet, measured: Measured, out: SetScore) -> None:
    for signal in measured.signals:
        if isinstance(signal, ReleaseSeen):
            t = measured.true_s(signal.t_us)
            if item.loose_s is None or t < item.loose_s:
                out.false_releases += 1
            elif item.released_s is not None and out.release_latency_s is None:
                out.release_latency_s = t - item.loose_s
