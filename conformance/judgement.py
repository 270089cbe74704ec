"""Judging what a rig sent: pure functions from messages to verdicts in the notebook.

Here: arithmetic and limits. Never here: talking to a rig (`procedures`).
"""

from __future__ import annotations

import itertools
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from ebbset.conformance.rig_client import RigClient
from ebbset.conformance.rig_heard import Answered, Heard
from ebbset.models.contract.constants import UNLOADED_N
from ebbset.models.contract.rig_messages import SampleFrame
from ebbset.models.contract.wire import Topic

ACK_LIMIT_S: Final = 0.25
RATE_TOLERANCE: Final = 0.1
SPACING_TOLERANCE: Final = 0.25
FORCE_ZERO_N: Final = 25.0
RAMP_TOLERANCE: Final = 1.3
HELD_MEAN_S: Final = 2.0
"""Time over which the beginning and the end of a hold are averaged."""
JUMP_WINDOW_S: Final = 1.0

Frames = Sequence[Heard[SampleFrame]]


@dataclass(slots=True)
class Notebook:
    """Verdicts by check: (passed, what was measured). The first verdict of a check stands unless a later one fails."""

    verdicts: dict[str, tuple[bool, str]] = field(default_factory=dict)
    aborted: dict[str, str] = field(default_factory=dict)

    def write(self, check: str, passed: bool, measured: str) -> None:
        """Record the verdict of one check.

        Args:
            check: name of the check.
            passed: the verdict.
            measured: the figures it is based on.
        """
        before = self.verdicts.get(check)
        if before is None or (before[0] and not passed):
            self.verdicts[check] = (passed, measured)

    def passed(self, check: str) -> bool:
        """The check was carried out and passed."""
        return self.verdicts.get(check, (False, ""))[0]


def rate(book: Notebook, frames: Frames, announced_hz: float) -> None:
    """Sample rate by the clock of the kit, and how fast the rig's own clock runs.

    Args:
        book: where the verdict is written.
        frames: frames heard, oldest first.
        announced_hz: sample rate that the rig announced, Hz.
    """
    first, last = frames[0], frames[-1]
    span_s = last.at_s - first.at_s
    rate_hz = sum(len(heard.message.t_us) for heard in frames[1:]) / span_s
    passed = abs(rate_hz - announced_hz) <= RATE_TOLERANCE * announced_hz
    book.write("sample_rate", passed, f"{rate_hz:.1f} samples a second; announced {announced_hz:g}")
    clock(book, last.message.t_us[-1] - first.message.t_us[-1], span_s)


def clock(book: Notebook, rig_us: int, span_s: float) -> None:
    """The rig's clock against that of the kit.

    Args:
        book: where the verdict is written.
        rig_us: time that passed on the rig's clock, microseconds.
        span_s: the same on the kit's clock, seconds.
    """
    ratio = rig_us / 1e6 / span_s
    measured = f"{ratio:.4f} s of t_us went by in a second of the kit's clock"
    book.write("clock_in_microseconds", 1 - RATE_TOLERANCE <= ratio <= 1 + RATE_TOLERANCE, measured)


def order(book: Notebook, frames: Frames) -> None:
    """Times and sequence numbers count up; samples are evenly spaced.

    Args:
        book: where the verdict is written.
        frames: frames heard, oldest first.
    """
    back = repeats = gaps = 0
    distances: list[int] = []
    for before, heard in itertools.pairwise(frames):
        a, b = before.message, heard.message
        back += b.t_us[0] <= a.t_us[-1]
        repeats += b.seq <= a.seq
        gaps += b.seq > a.seq + 1
        inner = [later - sooner for sooner, later in itertools.pairwise(b.t_us)]
        distances += inner or ([b.t_us[0] - a.t_us[-1]] if b.seq == a.seq + 1 else [])
    book.write("time_increases", back == 0, f"{back} of {len(frames)} frames went back in time")
    book.write("sequence_without_repeats", repeats == 0, f"{repeats} of {len(frames)} frames repeat a number")
    book.write("sequence_without_gaps", gaps == 0, f"{gaps} gaps in {len(frames)} frames")
    if distances and back == 0:
        mean_us = statistics.fmean(distances)
        worst = sorted(abs(distance - mean_us) / mean_us for distance in distances)[int(0.95 * len(distances))]
        measured = f"95 % of intervals within {100 * worst:.0f} % of their mean"
        book.write("sampling_regular", worst <= SPACING_TOLERANCE, measured)


def force(book: Notebook, frames: Frames, *, announced: bool) -> None:
    """Force in every frame, where the rig announced it.

    Args:
        book: where the verdict is written.
        frames: frames heard.
        announced: the rig announced that it measures force.
    """
    without = sum(any(not cable.force_n for cable in heard.message.cables) for heard in frames)
    measured = f"{without} of {len(frames)} frames lack force; {'' if announced else 'not '}announced"
    book.write("force_in_every_frame", without == 0 or not announced, measured)


def rest(book: Notebook, frames: Frames) -> None:
    """Untouched in the dock: docked, unloaded, unbound, still; and what force reads then.

    Args:
        book: where the verdict is written.
        frames: frames heard, oldest first.
    """
    last = [heard.message for heard in frames[-20:]]
    applied_n = max(max(frame.applied_n) for frame in last)
    docked = all(frame.docked for frame in last)
    position_m = max(abs(x) for frame in last for cable in frame.cables for x in cable.position_m)
    speeds = [abs(statistics.fmean(cable.velocity_m_s)) for f in last for cable in f.cables if cable.velocity_m_s]
    velocity_m_s = statistics.fmean(speeds) if speeds else 0.0
    unbound = all(frame.nonce is None for frame in last)
    still = applied_n <= UNLOADED_N and docked and position_m <= 0.1 and velocity_m_s <= 0.05 and unbound
    book.write(
        "rest_is_rest",
        still,
        f"docked {docked}, applied {applied_n:.1f} N, position within {position_m:.3f} m, "
        f"velocity {velocity_m_s:.3f} m/s, {'unbound' if unbound else 'bound to a nonce'}",
    )
    force_n = mean_force_n(frames)
    if force_n is not None and still:
        book.write("force_zero", abs(force_n) <= FORCE_ZERO_N, f"{force_n:.1f} N unloaded in the dock")


def mean_force_n(frames: Frames) -> float | None:
    """Mean force over frames and cables, newtons; None without a force cell."""
    means = [statistics.fmean(cable.force_n) for heard in frames for cable in heard.message.cables if cable.force_n]
    return statistics.fmean(means) if means else None


def ramp_up(book: Notebook, frames: Frames, load_n: float, ramp_n_per_s: float) -> None:
    """The load on its way up: seen on the way, and no steeper than commanded.

    Args:
        book: where the verdict is written.
        frames: frames heard, oldest first.
        load_n: load commanded, newtons.
        ramp_n_per_s: ramp commanded, N/s.
    """
    between, steepest = _ramp(frames, load_n)
    book.write("applied_is_measured", between > 0, f"{between} frames on the way to the load")
    if between:
        measured = f"steepest {steepest:.0f} N/s; commanded {ramp_n_per_s:.0f} N/s"
        book.write("ramp_kept", steepest <= RAMP_TOLERANCE * ramp_n_per_s, measured)


def ramp_down(book: Notebook, frames: Frames, load_n: float, ramp_n_per_s: float) -> None:
    """The load on its way off.

    Args:
        book: where the verdict is written.
        frames: frames heard, oldest first.
        load_n: load at the start, newtons.
        ramp_n_per_s: ramp commanded, N/s.
    """
    between, steepest = _ramp(frames, load_n)
    measured = f"steepest {steepest:.0f} N/s; commanded {ramp_n_per_s:.0f} N/s; {between} frames on the way"
    book.write("unload_keeps_ramp", between > 0 and steepest <= RAMP_TOLERANCE * ramp_n_per_s, measured)


def _ramp(frames: Frames, load_n: float) -> tuple[int, float]:
    """Measure a ramp by the rig's clock.

    Args:
        frames: frames over the ramp, in order.
        load_n: the larger of the loads at its two ends, newtons per cable.

    Returns:
        How many frames lie clearly between unloaded and loaded, and the steepest change, N/s.
    """
    readings = [(heard.message.t_us[-1] / 1e6, max(heard.message.applied_n)) for heard in frames]
    between = sum(0.1 * load_n < n < 0.9 * load_n for _, n in readings)
    rates = [abs(b - a) / (t - s) for (s, a), (t, b) in itertools.pairwise(readings) if t > s]
    return between, max(rates, default=0.0)


def held(book: Notebook, readings: Sequence[tuple[float, float]], load_n: float) -> None:
    """The load of a hold at its end against its beginning.

    Args:
        book: where the verdict is written.
        readings: time in seconds and applied load in newtons, oldest first.
        load_n: load commanded, newtons.
    """
    change_n = _change(readings)
    if change_n is not None:
        allowed_n = allowed_load_change_n(load_n)
        said = f"{change_n:+.1f} N over {readings[-1][0] - readings[0][0]:.0f} s; allowed {allowed_n:.1f} N"
        book.write("load_held", abs(change_n) <= allowed_n, said)


def held_frames(book: Notebook, frames: Frames, load_n: float) -> None:
    """Force against applied load over a hold, and jumps of either.

    Args:
        book: where the verdicts are written.
        frames: frames of the hold, oldest first.
        load_n: load commanded, newtons.
    """
    changes: list[float] = []
    jumps: list[float] = []
    for cable in range(len(frames[0].message.cables) if frames else 0):
        applied = [(h.message.t_us[-1] / 1e6, h.message.applied_n[cable]) for h in frames]
        jumps.append(_jump(applied))
        columns = [h.message.cables[cable].force_n for h in frames]
        force = [(t, statistics.fmean(column)) for (t, _), column in zip(applied, columns, strict=True) if column]
        if len(force) < len(applied):
            continue
        jumps.append(_jump(force))
        change_n = _change([(t, f - n) for (t, f), (_, n) in zip(force, applied, strict=True)])
        if change_n is not None:
            changes.append(change_n)
    if changes:
        worst_n, allowed_n = max(changes, key=abs), allowed_force_change_n(load_n)
        said = f"force less applied load changed by {worst_n:+.1f} N; allowed {allowed_n:.1f} N"
        book.write("force_held", abs(worst_n) <= allowed_n, said)
    if jumps:
        worst_n, allowed_n = max(jumps), allowed_jump_n(load_n)
        said = f"at most {worst_n:.1f} N off the second around it; allowed {allowed_n:.1f} N"
        book.write("load_without_jumps", worst_n <= allowed_n, said)


def allowed_load_change_n(load_n: float) -> float:
    """By how much a held load may change, newtons."""
    return max(5.0, 0.03 * load_n)


def allowed_force_change_n(load_n: float) -> float:
    """By how much force may change under a held load, newtons."""
    return max(10.0, 0.05 * load_n)


def allowed_jump_n(load_n: float) -> float:
    """By how much a frame may differ from the second around it, newtons."""
    return max(15.0, 0.15 * load_n)


def _change(readings: Sequence[tuple[float, float]]) -> float | None:
    """Mean of the last seconds less that of the first; None when there is nothing to compare."""
    if not readings or readings[-1][0] - readings[0][0] < 2.0 * HELD_MEAN_S:
        return None
    first = [value for t, value in readings if t <= readings[0][0] + HELD_MEAN_S]
    last = [value for t, value in readings if t >= readings[-1][0] - HELD_MEAN_S]
    return statistics.fmean(last) - statistics.fmean(first)


def _jump(readings: Sequence[tuple[float, float]]) -> float:
    """Largest difference of a reading from the median of those around it."""
    times, values = [t for t, _ in readings], [value for _, value in readings]
    worst = 0.0
    for t, value in readings:
        first, last = bisect_left(times, t - 0.5 * JUMP_WINDOW_S), bisect_right(times, t + 0.5 * JUMP_WINDOW_S)
        worst = max(worst, abs(value - statistics.median(values[first:last])))
    return worst


def pull(book: Notebook, before: Frames, frames: Frames, pulled_m: float) -> None:
    """Signs and units of position and velocity from an empty handle pulled out by about ``pulled_m``.

    Args:
        book: where the verdict is written.
        before: frames from before the pull.
        frames: frames of the pull.
        pulled_m: distance that the person was asked to pull, metres.
    """
    if not frames:
        return
    home = before[-1] if before else frames[0]
    moved_m = frames[-1].message.cables[0].position_m[-1] - home.message.cables[0].position_m[-1]
    times = [t / 1e6 for heard in frames for t in heard.message.t_us]
    speeds = [v for heard in frames for v in heard.message.cables[0].velocity_m_s or ()]
    book.write("position_grows_outward", moved_m > 0.02, f"{moved_m:+.3f} m for a pull outward")
    in_metres = 0.5 * pulled_m <= abs(moved_m) <= 2.0 * pulled_m
    book.write("position_in_metres", in_metres, f"{abs(moved_m):.3f} m for a pull of about {pulled_m} m")
    if len(speeds) == len(times) and len(speeds) > 2:
        way_m = sum(v * (b - a) for v, (a, b) in zip(speeds[1:], itertools.pairwise(times), strict=True))
        book.write("velocity_positive_outward", way_m > 0.02, f"velocity adds up to {way_m:+.3f} m")
        fits = abs(abs(way_m) - abs(moved_m)) <= 0.25 * abs(moved_m)
        book.write("velocity_fits_position", fits, f"{abs(way_m):.3f} m by velocity, {abs(moved_m):.3f} m seen")


def messages(book: Notebook, client: RigClient) -> None:
    """Whether everything heard fits its schema.

    Args:
        book: where the verdict is written.
        client: the client that heard the rig.
    """
    bad = [heard.message for heard in client.bad if heard.message.topic is not Topic.IDENTITY]
    good = len(client.frames) + len(client.acks) + len(client.events) + len(client.repetitions)
    measured = f"{len(bad)} misfits in {good} messages taken"
    if bad:
        measured += f"; the first: {bad[0]}"
    book.write("messages_valid", not bad and good > 0, measured)


def acknowledgements(book: Notebook, answers: Sequence[Answered]) -> None:
    """How long answers took.

    Args:
        book: where the verdict is written.
        answers: commands with their answers.
    """
    times_s = [answered.after_s for answered in answers if answered.after_s is not None]
    if times_s:
        usual_s = sorted(times_s)[int(0.95 * (len(times_s) - 1))]
        median_ms, worst_ms = 1_000 * statistics.median(times_s), 1_000 * max(times_s)
        measured = f"95 % within {1_000 * usual_s:.0f} ms, median {median_ms:.0f} ms, slowest {worst_ms:.0f} ms"
        book.write("acknowledges_in_time", usual_s <= ACK_LIMIT_S, measured)
