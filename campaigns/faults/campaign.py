"""The fault campaign: faults between lifter and computer, injected into real processes over a real Mosquitto.

Each scenario starts its own site (`campaigns.faults.site`), begins a set, injects one fault while the lifter is
lifting, and checks the rig's true loads, the controllers' messages and the recording. The rule is the same for all:
within one lease no load is ordered at the rig, the load never rises, the set ends with a named reason, the recording is
complete up to the fault and keeps every invariant, the controller's metrics show the fault, and nothing goes on without
a person. Faults that must not disturb a set (duplicated commands, commands out of order) are held to the opposite: the
set goes on.

The test bench itself can fail: the set ends before the fault could be injected, or the machine stalls for longer than a
watchdog of 600 ms allows. Such an attempt says nothing about the site and is repeated on a new one, at most `ATTEMPTS`
times; the table shows how many attempts it took.

Run as ``python -m campaigns.faults.campaign [--short] [--json FILE]``; exits 1 when a scenario fails.
"""

from __future__ import annotations

import asyncio
import json
import math
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final

from campaigns.faults.scenarios import SCENARIOS, SHORT, Scenario
from campaigns.faults.sightings import ended_as, scrape, unseen
from campaigns.faults.site import LEASE_S, Site, Truth
from ebbset.controller.messages.events import Samples
from ebbset.controller.recording.reader import Recording, read_recording
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor

TIMER_SLACK_S: Final = 0.10
"""Granularity of the rig's watchdog, of the truth file and of scheduling on a busy machine."""
UNLOADED_N: Final = 2.0
PATIENCE_S: Final = 60.0
CRASH_LOSS_S: Final = 0.5
"""The most that the recorder may lose in a crash."""
AT_ONCE: Final = 3
STARTING_AT_ONCE: Final = 2
"""Programs that start need a processor to themselves; a set that is lifted mostly waits."""
ATTEMPTS: Final = 3
STARVED_S: Final = 0.08
"""The rig's process writes the truth every 10 ms; after a silence of this length, the machine did not run it."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Outcome of one scenario; times in seconds from the fault, None if it did not happen or does not apply.

    ``bench_failed``: it did not pass, but because of the test bench, not the site.
    """

    fault: str
    allowed_s: float | None
    order_gone_s: float | None
    unloaded_s: float | None
    samples_lost: int
    state: str
    recording: str
    restart: str
    passed: bool
    why: str
    attempts: int = 1
    bench_failed: bool = False


# --- one scenario -----------------------------------------------------------------------------------------------


async def run_scenario(scenario: Scenario, starting: asyncio.Semaphore) -> Outcome:
    """Run one scenario and judge it, again on a new site while the bench fails.

    Args:
        scenario: what to run.
        starting: held while the programs of the site start.
    """
    for attempt in range(1, ATTEMPTS + 1):
        with tempfile.TemporaryDirectory(prefix="ebbset-faults-") as folder:
            outcome = replace(await _attempt(scenario, Path(folder), starting), attempts=attempt)
        if not outcome.bench_failed:
            break
    return outcome


async def _attempt(scenario: Scenario, folder: Path, starting: asyncio.Semaphore) -> Outcome:
    """One attempt. A failure of the bench itself gives a failed outcome with an explanation."""
    site = Site(folder)
    try:
        if scenario.prepare is not None:
            await scenario.prepare(site)
        async with starting:
            await site.start()
        await site.begin_set()
        return await _judge(scenario, site)
    except (TimeoutError, OSError) as error:
        why = f"the bench: {type(error).__name__}: {error}"
        return Outcome(
            scenario.name, None, None, None, 0, "unknown", "unknown", "unknown", False, why, bench_failed=True
        )
    finally:
        await site.stop()
        if scenario.tidy is not None:
            await scenario.tidy(site)


async def _judge(scenario: Scenario, site: Site) -> Outcome:
    fault_s = await _inject(scenario, site)
    problems: list[str] = []
    order_gone_s: float | None = None
    unloaded_s: float | None = None
    if scenario.goes_on:
        problems += await _must_go_on(site)
    else:
        order_gone_s, unloaded_s = await _until_unloaded(site, fault_s)
        if unloaded_s is None:
            problems.append(f"still loaded {PATIENCE_S:g} s after the fault")
        elif order_gone_s is not None and order_gone_s > scenario.allowed_s + TIMER_SLACK_S:
            problems.append(f"no load ordered only after {order_gone_s:.2f} s; allowed {scenario.allowed_s:.2f} s")
    if scenario.heal is not None:
        await scenario.heal(site)
    state = "goes on" if scenario.goes_on else await _end_state(scenario, site, problems)
    restart = await _without_a_person(scenario, site, problems)
    problems += rises_after(site, fault_s)
    sightings = [*scenario.seen, *(ended_as(result["reason"]) for result in site.of("result"))]
    if not sightings:
        problems.append("no metric is named in which the fault must show, and no set has ended")
    problems += unseen(sightings, await scrape(site.metrics_ports.values()))
    await site.stop()
    lost, recording = _judge_recording(scenario, site, fault_s, problems)
    return Outcome(
        fault=scenario.name,
        allowed_s=None if scenario.goes_on else scenario.allowed_s,
        order_gone_s=order_gone_s,
        unloaded_s=unloaded_s,
        samples_lost=lost,
        state=state,
        recording=recording,
        restart=restart,
        passed=not problems,
        why="; ".join(problems),
        bench_failed=bool(problems) and longest_silence_s(site.truth(), fault_s) > STARVED_S,
    )


async def _inject(scenario: Scenario, site: Site) -> float:
    """Inject the fault; when it began, by the clock of the rig's truth: the machine's monotonic one, seconds."""
    before_s = time.monotonic()
    await scenario.inject(site)
    after_s = time.monotonic()
    if scenario.began_s is not None:
        return scenario.began_s(site)
    # A fault in the rig's own process is told by its truth.
    return next((row.at_s for row in site.truth() if row.injected > 0), after_s if scenario.late else before_s)


def longest_silence_s(rows: list[Truth], fault_s: float) -> float:
    """The longest time, seconds, in which the rig's process wrote nothing, from two seconds before the fault on.

    Args:
        rows: the rig's truth file.
        fault_s: time of the fault, on the same clock, seconds.
    """
    times = [row.at_s for row in rows if row.at_s > fault_s - 2.0]
    return max((later - earlier for earlier, later in pairwise(times)), default=0.0)


async def _until_unloaded(site: Site, fault_s: float) -> tuple[float | None, float | None]:
    """Seconds from the fault until no load is ordered from the motors, and until none is applied."""

    def first(most_n: float) -> float | None:
        rows = (row for row in site.truth() if row.at_s >= fault_s and row.target_n == 0.0)
        return next((row.at_s - fault_s for row in rows if row.applied_n <= most_n), None)

    await site.until_truth(
        lambda: first(UNLOADED_N) is not None, timeout_s=max(fault_s + PATIENCE_S - time.monotonic(), 0.0)
    )
    return first(math.inf), first(UNLOADED_N)


async def _must_go_on(site: Site) -> list[str]:
    """Two leases later the load must still be on; then a person stops the set."""
    # The check is that nothing happens in this time.
    await asyncio.sleep(2 * LEASE_S)
    standing = site.truth()[-1].target_n > 0.0 or bool(site.of("result"))
    answer = await site.ask("stop")
    await site.until(lambda: site.of("result"), timeout_s=PATIENCE_S)
    problems = [] if standing else ["the fault should not have disturbed the set, but the load is gone"]
    if answer is None or not answer["accepted"]:
        problems.append(f"a request to stop was answered {answer}")
    return problems


async def _end_state(scenario: Scenario, site: Site, problems: list[str]) -> str:
    if not scenario.reasons:
        # The controller is gone and cannot report an end; the broker publishes its last will, offline.
        if not await site.until(
            lambda: site.of("state")[-1:] and _last_state(site) in ("offline", "idle"), timeout_s=PATIENCE_S
        ):
            problems.append(f"state is {_last_state(site)}; expected offline, by the last will")
        return f"controller {_last_state(site)}"
    await site.until(lambda: site.of("result"), timeout_s=PATIENCE_S)
    results = site.of("result")
    reason = results[0]["reason"] if results else "none"
    if reason not in scenario.reasons:
        problems.append(f"the set ended as {reason}; expected {', '.join(sorted(scenario.reasons))}")
    return str(reason)


def _last_state(site: Site) -> str:
    reports = site.of("state")
    return str(reports[-1]["state"]) if reports else "unknown"


async def _without_a_person(scenario: Scenario, site: Site, problems: list[str]) -> str:
    """After the fault a start without a new arming must be refused, and nothing may have armed itself."""
    await site.until(lambda: _last_state(site) in ("idle", "ended", "offline"), timeout_s=PATIENCE_S)
    since_s = time.monotonic()
    answer = await site.ask("start")
    if answer is None:
        problems.append("no controller answered after the fault")
        return "no answer"
    if answer["accepted"]:
        problems.append("a start was accepted after the fault although nobody armed")
        return "went on"
    if scenario.name.startswith("disk full"):
        answer = await site.ask("arm", cautions_shown=True)
        if answer is None or answer["accepted"]:
            problems.append(f"a set was armed that cannot be recorded: {answer}")
            return "armed"
    # That nothing happens in this time is what is looked at.
    await asyncio.sleep(0.5)
    if any(row.target_n > 0.0 for row in site.truth() if row.at_s > since_s):
        problems.append("a load came back after the fault although nobody armed")
    return str(answer["code"])


def rises_after(site: Site, fault_s: float) -> list[str]:
    """A problem if the load ordered at the rig ever rises after the fault.

    Args:
        site: the site, whose rig's truth is read.
        fault_s: time of the fault, machine's monotonic clock, seconds.
    """
    held_n = float("inf")
    for row in site.truth():
        if row.at_s < fault_s - 0.05:
            continue
        if row.target_n > held_n + 0.01:
            return [f"the load rose to {row.target_n:.0f} N {row.at_s - fault_s:.2f} s after the fault"]
        held_n = row.target_n
    return []


def _judge_recording(scenario: Scenario, site: Site, fault_s: float, problems: list[str]) -> tuple[int, str]:
    """Number of frames sent before the fault that are missing from the recording, and the state of the recording."""
    files = site.recorded_sets()
    if not files:
        problems.append("there is no recording")
        return 0, "none"
    recording = read_recording(files[0])
    problems += _invariants(recording)
    margin_s = CRASH_LOSS_S if scenario.cut else 0.1
    heard = [item.event for item in recording.handled if isinstance(item.event, Samples)]
    if not heard:
        problems.append("the recording holds no frame")
        return 0, "empty"
    missing = frames_missing(heard, [row for row in site.truth() if row.at_s < fault_s])
    missed = [row for row in missing.values() if row.at_s < fault_s - margin_s]
    lost = len(missing)
    if missed:
        problems.append(f"{len(missed)} frames sent before the fault are not in the recording")
    if recording.missing and not scenario.cut:
        problems.append(f"inputs are missing from the recording: {recording.missing}")
    return lost, "complete" if recording.whole else ("complete up to the fault" if not missed else "damaged")


def frames_missing(heard: Sequence[Samples], sent: Iterable[Truth]) -> dict[int, Truth]:
    """Frames that were sent since the recording began and are not in it: by number, the first row that tells of each.

    Frames count from 0 in each boot, so those of a rig that booted, or of another with the same name, neither stand in
    for frames of the rig at work nor say when its recording began.

    Args:
        heard: the frames of the recording, in order; the rig at work sent the first.
        sent: rows of that rig's truth, of the same boot.
    """
    own = {frame.seq for frame in heard if frame.boot_id == heard[0].boot_id}
    first = min(own)
    missing: dict[int, Truth] = {}
    for row in sent:
        if row.frame >= first and row.frame not in own:
            missing.setdefault(row.frame, row)
    return missing


def _invariants(recording: Recording) -> list[str]:
    monitor = InvariantMonitor()
    for item in recording.handled:
        monitor.step(item.event, item.outputs)
    return [f"invariant {breach.invariant} broken: {breach.detail}" for breach in monitor.breaches[:1]]


# --- all of them ------------------------------------------------------------------------------------------------


async def run_campaign(scenarios: tuple[Scenario, ...], *, at_once: int = AT_ONCE) -> list[Outcome]:
    """Run every scenario on a site of its own, a few at a time; outcomes in the order given.

    Args:
        scenarios: what to run.
        at_once: how many at a time.
    """
    slots, starting = asyncio.Semaphore(at_once), asyncio.Semaphore(STARTING_AT_ONCE)

    async def one(scenario: Scenario) -> Outcome:
        async with slots:
            return await run_scenario(scenario, starting)

    return list(await asyncio.gather(*(one(scenario) for scenario in scenarios)))


def as_table(outcomes: list[Outcome]) -> str:
    """The table that `make faults` prints, in Markdown."""
    heads = [
        *("fault", "allowed, s", "no load ordered, s", "unloaded, s", "samples lost"),
        *("ended as", "recording", "start without arming", "attempts", "pass"),
    ]
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for o in outcomes:
        times = (f"{s:.2f}" if s is not None else "–" for s in (o.allowed_s, o.order_gone_s, o.unloaded_s))
        verdict = "yes" if o.passed else f"NO: {o.why}"
        cells = (o.fault, *times, str(o.samples_lost), o.state, o.recording, o.restart, str(o.attempts), verdict)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    """Run the campaign; 0 when every scenario passed."""
    chosen = tuple(s for s in SCENARIOS if "--short" not in arguments or s.name in SHORT)
    named = [argument for argument in arguments if not argument.startswith("--")]
    if named and "--json" not in arguments:
        chosen = tuple(s for s in SCENARIOS if any(part in s.name for part in named))
    outcomes = asyncio.run(run_campaign(chosen))
    sys.stdout.write(as_table(outcomes) + "\n")
    if "--json" in arguments:
        target = Path(arguments[arguments.index("--json") + 1])
        target.write_text(json.dumps([asdict(outcome) for outcome in outcomes], indent=2), encoding="utf-8")
    return 0 if all(outcome.passed for outcome in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
