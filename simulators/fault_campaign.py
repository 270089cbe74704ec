"""The fault campaign: what can go wrong between lifter and computer, done to real processes over a real Mosquitto.

Each scenario starts a site of its own (`fault_site`), begins a set, injects one fault while the lifter is lifting,
and looks at the truth beside the rig, at what the controllers said and at the recording. The rule is the same for all:
the rig has no load ordered within one lease, the load never rises, the set ends in a named state, the recording is
whole up to the fault and keeps every invariant, and nothing goes on without a person. Faults that must not disturb a
set (commands twice, commands out of order) are held to the opposite: the set goes on.

Run as ``python -m ebbset.simulators.fault_campaign [--short] [--json FILE]``; exits 1 when a scenario fails.
"""

from __future__ import annotations

import asyncio
import json
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from ebbset.controller.events import Samples
from ebbset.controller.recording import Recording, read_recording
from ebbset.simulators.fault_site import LEASE_S, ORDER, Site
from ebbset.simulators.witness import InvariantWitness

TIMER_SLACK_S: Final = 0.10
"""Granularity of the rig's watchdog, of the truth file and of scheduling on a busy machine."""
UNLOADED_N: Final = 2.0
PATIENCE_S: Final = 8.0
CRASH_LOSS_S: Final = 0.5
"""The recorder promises to lose no more than this in a crash."""
AT_ONCE: Final = 3

Inject = Callable[[Site], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Scenario:
    """One fault.

    Attributes:
        name: short name.
        inject: does it; returns as soon as it has happened.
        reasons: how the set may be said to have ended; empty when nobody is left to say so.
        allowed_s: from the fault to no load ordered at the rig; one lease where nothing needs to be detected first.
        heal: what is done afterwards, so that it can be seen what comes back.
        goes_on: the set must go on undisturbed.
        controller: which controller's recording tells of it.
        cut: the recording ends there and may lack the last half second.
    """

    name: str
    inject: Inject
    reasons: frozenset[str]
    allowed_s: float = LEASE_S
    heal: Inject | None = None
    goes_on: bool = False
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one scenario came to; times in seconds from the fault, None when it did not happen."""

    fault: str
    order_gone_s: float | None
    unloaded_s: float | None
    samples_lost: int
    state: str
    recording: str
    restart: str
    passed: bool
    why: str


# --- the faults -------------------------------------------------------------------------------------------------


async def _kill_broker(site: Site) -> None:
    site.signal("broker", signal.SIGKILL)
    await site.gone("broker")


async def _start_broker(site: Site) -> None:
    await site.start_broker()


def _block(which: str, ways: tuple[str, ...]) -> Inject:
    async def inject(site: Site) -> None:
        relay = site.controller_way if which == "controller" else site.rig_way
        for way in ways:
            (relay.up_open if way == "up" else relay.down_open).clear()

    return inject


async def _unblock(site: Site) -> None:
    for relay in (site.controller_way, site.rig_way):
        relay.up_open.set()
        relay.down_open.set()


async def _cut_both(site: Site) -> None:
    site.controller_way.cut()
    site.rig_way.cut()


async def _kill_controller_mid_drop(site: Site) -> None:
    """At the first drop that is told: the rig's motors are still on their way down."""
    seen = await site.until(
        lambda: any(decision["action"] == "drop" for decision in site.of("decision")), timeout_s=40.0
    )
    if not seen:
        raise TimeoutError("the lifter did not stall, so there was no drop to be in the middle of")
    site.signal("controller", signal.SIGKILL)
    await site.gone("controller")


async def _restart_controller(site: Site) -> None:
    since_s = time.monotonic()
    await site.start_controller("restarted", site.controller_way.port)
    await site.until(lambda: "idle" in [report["state"] for report in site.of("state", since_s)], timeout_s=20.0)


async def _second_controller(site: Site) -> None:
    """A second one for the same rig, and an operator whose arming only the second can take."""
    await site.start_controller("second", site.port)
    await site.until(lambda: any(report["state"] == "idle" for report in site.of("state")[-6:]), timeout_s=20.0)
    await asyncio.sleep(1.0)
    await site.ask("arm", cautions_shown=True, timeout_s=2.0)


async def _second_rig(site: Site) -> None:
    await site.start_rig("double", site.port, seed=2)
    await site.until(lambda: site.of("result"), timeout_s=20.0)


def _meddle(how: str) -> Inject:
    async def inject(site: Site) -> None:
        site.rig_way.commands = how  # type: ignore[assignment]

    return inject


def _befall(what: str) -> Inject:
    async def inject(site: Site) -> None:
        site.befall(what)
        if not await site.until(lambda: site.truth()[-1].befallen > 0, timeout_s=15.0):
            raise TimeoutError(f"the rig did not let it happen: {what}")

    return inject


def _signal_controller(number: int) -> Inject:
    async def inject(site: Site) -> None:
        site.signal("controller", number)

    return inject


async def _suspend(site: Site) -> None:
    site.signal("controller", signal.SIGSTOP)
    asyncio.get_running_loop().call_later(5.0, site.signal, "controller", signal.SIGCONT)


async def _fill_disk(site: Site) -> None:
    """No file of the controller may grow any more: what a full disk does, without a disk to fill."""
    resource.prlimit(site.processes["controller"].pid, resource.RLIMIT_FSIZE, (1, 1))
    await asyncio.sleep(1.5)


def _reasons(*names: str) -> frozenset[str]:
    return frozenset(names)


_LINK: Final = _reasons("link_lost", "rig_lost", "lease_expired", "telemetry_lost")
MOST_PAUSE_S: Final = ORDER.stop.max_pause_s
DETECTION_S: Final = 1.5
"""Judgement, no source: frozen, stuck and biased sensors are told from a slow lifter by movement that does not fit."""

SCENARIOS: Final[tuple[Scenario, ...]] = (
    Scenario("broker killed and restarted", _kill_broker, _LINK, heal=_start_broker),
    Scenario("network of both cut", _cut_both, _LINK),
    Scenario("controller cannot send", _block("controller", ("up",)), _LINK, heal=_unblock),
    Scenario("controller cannot hear", _block("controller", ("down",)), _LINK, heal=_unblock),
    Scenario("controller cut both ways", _block("controller", ("up", "down")), _LINK, heal=_unblock),
    Scenario("rig cannot send", _block("rig", ("up",)), _LINK, heal=_unblock),
    Scenario("rig cannot hear", _block("rig", ("down",)), _LINK, heal=_unblock),
    Scenario("rig cut both ways", _block("rig", ("up", "down")), _LINK, heal=_unblock),
    Scenario("controller killed mid-drop", _kill_controller_mid_drop, frozenset(), heal=_restart_controller, cut=True),
    Scenario("rig rebooted", _befall("now reboot"), _reasons("rig_rebooted", "rig_lost")),
    Scenario("rig's emergency stop", _befall("now stop"), _reasons("emergency_stop")),
    Scenario(
        "second controller",
        _second_controller,
        _reasons("rig_disagrees", "rig_refused", "lease_expired"),
        allowed_s=9e9,
    ),
    Scenario("two rigs with one name", _second_rig, _reasons("rig_rebooted", "rig_lost"), allowed_s=9e9),
    Scenario(
        "commands delayed two seconds", _meddle("delay"), _reasons("lease_expired", "rig_refused"), heal=_meddle("none")
    ),
    Scenario("commands twice", _meddle("duplicate"), frozenset(), goes_on=True),
    Scenario("commands out of order", _meddle("reorder"), frozenset(), goes_on=True),
    Scenario(
        "rig's clock an hour ahead",
        _befall("now clock_forward"),
        _reasons("rig_refused", "telemetry_lost", "lease_expired"),
    ),
    Scenario("rig's clock set back", _befall("now clock_back"), _reasons("telemetry_lost", "rig_refused")),
    Scenario(
        "controller's clock 10 s ahead",
        _signal_controller(signal.SIGUSR1),
        _reasons("telemetry_lost", "pause_too_long"),
    ),
    Scenario(
        "controller's clock 10 s back",
        _signal_controller(signal.SIGUSR2),
        _reasons("telemetry_lost", "lease_expired", "guard_refused"),
    ),
    Scenario("telemetry silent", _befall("now silence"), _reasons("telemetry_lost")),
    Scenario("a sensor says NaN", _befall("now nan"), _reasons("telemetry_lost")),
    Scenario(
        "telemetry frozen while moving",
        _befall("moving freeze"),
        _reasons("telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario(
        # A still handle and frozen telemetry look alike; the longest pause that the prescription allows ends both.
        "telemetry frozen while still",
        _befall("still freeze"),
        _reasons("pause_too_long", "telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + MOST_PAUSE_S,
    ),
    Scenario(
        "position stuck",
        _befall("moving stick"),
        _reasons("telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario(
        "force biased by 600 N", _befall("now bias"), _reasons("sensors_disagree"), allowed_s=LEASE_S + DETECTION_S
    ),
    Scenario(
        "velocity biased by 0.5 m/s",
        _befall("now bias_velocity"),
        _reasons("sensors_disagree", "telemetry_frozen", "handle_released"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario("controller suspended for 5 s", _suspend, _reasons("lease_expired", "telemetry_lost", "link_lost")),
    Scenario("disk full while recording", _fill_disk, frozenset(), goes_on=True, cut=True),
)
SHORT: Final = (
    "broker killed and restarted",
    "controller killed mid-drop",
    "rig cannot hear",
    "a sensor says NaN",
    "commands out of order",
)


# --- one scenario -----------------------------------------------------------------------------------------------


async def run_scenario(scenario: Scenario, folder: Path) -> Outcome:
    """Carry one out and judge it. Whatever goes wrong with the bench itself is a failed outcome, told in words."""
    site = Site(folder)
    try:
        await site.start()
        await site.begin_set()
        return await _judge(scenario, site)
    except (TimeoutError, OSError) as error:
        why = f"the bench: {type(error).__name__}: {error}"
        return Outcome(scenario.name, None, None, 0, "unknown", "unknown", "unknown", False, why)
    finally:
        await site.stop()


async def _judge(scenario: Scenario, site: Site) -> Outcome:
    before_s = time.monotonic()
    await scenario.inject(site)
    fault_s = before_s if scenario.name not in _LATE else time.monotonic()
    fault_s = next((row.at_s for row in site.truth() if row.befallen > 0), fault_s)
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
    problems += _never_rose(site, fault_s)
    await site.stop()
    lost, recording = _judge_recording(scenario, site, fault_s, problems)
    return Outcome(
        scenario.name, order_gone_s, unloaded_s, lost, state, recording, restart, not problems, "; ".join(problems)
    )


_LATE: Final = frozenset({"controller killed mid-drop", "second controller", "two rigs with one name"})
"""Injections that take their time before the fault is there."""


async def _until_unloaded(site: Site, fault_s: float) -> tuple[float | None, float | None]:
    """Seconds from the fault until nothing is ordered from the motors, and until nothing is applied."""
    gone: float | None = None
    while time.monotonic() < fault_s + PATIENCE_S:
        for row in site.truth():
            if row.at_s < fault_s:
                continue
            if gone is None and row.target_n == 0.0:
                gone = row.at_s - fault_s
            if row.target_n == 0.0 and row.applied_n <= UNLOADED_N:
                return gone, row.at_s - fault_s
        await asyncio.sleep(0.1)
    return gone, None


async def _must_go_on(site: Site) -> list[str]:
    """Two leases later the load still stands; then a person stops the set."""
    await asyncio.sleep(2 * LEASE_S)
    standing = site.truth()[-1].target_n > 0.0 or bool(site.of("result"))
    answer = await site.ask("stop")
    await site.until(lambda: site.of("result"), timeout_s=5.0)
    problems = [] if standing else ["the fault should not have disturbed the set, but the load is gone"]
    if answer is None or not answer["accepted"]:
        problems.append(f"a request to stop was answered {answer}")
    return problems


async def _end_state(scenario: Scenario, site: Site, problems: list[str]) -> str:
    if not scenario.reasons:
        # Nobody is left to say how it ended; the broker says for it that it is offline.
        if not await site.until(
            lambda: site.of("state")[-1:] and _last_state(site) in ("offline", "idle"), timeout_s=10.0
        ):
            problems.append(f"state is {_last_state(site)}; expected offline, by the will")
        return f"controller {_last_state(site)}"
    await site.until(lambda: site.of("result"), timeout_s=15.0)
    results = site.of("result")
    reason = results[0]["reason"] if results else "none"
    if reason not in scenario.reasons:
        problems.append(f"the set ended as {reason}; expected {', '.join(sorted(scenario.reasons))}")
    return str(reason)


def _last_state(site: Site) -> str:
    reports = site.of("state")
    return str(reports[-1]["state"]) if reports else "unknown"


async def _without_a_person(scenario: Scenario, site: Site, problems: list[str]) -> str:
    """After the fault a start without a new arming must be refused, and nothing may have been armed by itself."""
    await site.until(lambda: _last_state(site) in ("idle", "ended", "offline"), timeout_s=10.0)
    since_s = time.monotonic()
    answer = await site.ask("start", timeout_s=10.0)
    if answer is None:
        problems.append("nobody answers after the fault")
        return "no answer"
    if answer["accepted"]:
        problems.append("a start was accepted after the fault although nobody armed")
        return "went on"
    if scenario.name.startswith("disk full"):
        answer = await site.ask("arm", cautions_shown=True)
        if answer is None or answer["accepted"]:
            problems.append(f"a set was armed that cannot be recorded: {answer}")
            return "armed"
    await asyncio.sleep(0.5)
    if any(row.target_n > 0.0 for row in site.truth() if row.at_s > since_s):
        problems.append("a load came back after the fault although nobody armed")
    return str(answer["code"])


def _never_rose(site: Site, fault_s: float) -> list[str]:
    """The load ordered at the rig never goes up after the fault."""
    held_n = float("inf")
    for row in site.truth():
        if row.at_s < fault_s - 0.05:
            continue
        if row.target_n > held_n + 0.01:
            return [f"the load rose to {row.target_n:.0f} N {row.at_s - fault_s:.2f} s after the fault"]
        held_n = row.target_n
    return []


def _judge_recording(scenario: Scenario, site: Site, fault_s: float, problems: list[str]) -> tuple[int, str]:
    """Frames sent before the fault that are not in the recording, and what state the recording is in."""
    files = site.recorded_sets()
    if not files:
        problems.append("there is no recording")
        return 0, "none"
    recording = read_recording(files[0])
    problems += _invariants(recording)
    recorded = {item.event.seq for item in recording.handled if isinstance(item.event, Samples)}
    margin_s = CRASH_LOSS_S if scenario.cut else 0.1
    sent = [row for row in site.truth() if (row.at_s < fault_s and row.frame in recorded) or row.at_s < fault_s]
    if not recorded:
        problems.append("the recording holds no frame")
        return 0, "empty"
    first = min(recorded)
    before = {row.frame for row in sent if row.frame >= first}
    due = {row.frame for row in sent if row.frame >= first and row.at_s < fault_s - margin_s}
    lost, missed = len(before - recorded), due - recorded
    if missed:
        problems.append(f"{len(missed)} frames sent before the fault are not in the recording")
    if recording.missing and not scenario.cut:
        problems.append(f"inputs are missing from the recording: {recording.missing}")
    return lost, "whole" if recording.whole else ("whole up to the fault" if not missed else "damaged")


def _invariants(recording: Recording) -> list[str]:
    witness = InvariantWitness()
    for item in recording.handled:
        witness.step(item.event, item.outputs)
    return [f"invariant {breach.invariant} broken: {breach.detail}" for breach in witness.breaches[:1]]


# --- all of them ------------------------------------------------------------------------------------------------


async def run_campaign(scenarios: tuple[Scenario, ...], *, at_once: int = AT_ONCE) -> list[Outcome]:
    """Every scenario on a site of its own, a few at a time; outcomes in the order given."""
    slots = asyncio.Semaphore(at_once)

    async def one(scenario: Scenario) -> Outcome:
        async with slots:
            with tempfile.TemporaryDirectory(prefix="ebbset-faults-") as folder:
                return await run_scenario(scenario, Path(folder))

    return list(await asyncio.gather(*(one(scenario) for scenario in scenarios)))


def as_table(outcomes: list[Outcome]) -> str:
    """The table that `make faults` prints, in Markdown."""
    heads = (
        "fault",
        "no load ordered, s",
        "unloaded, s",
        "samples lost",
        "ended as",
        "recording",
        "start after it",
        "pass",
    )
    lines = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    for o in outcomes:
        times = (f"{s:.2f}" if s is not None else "–" for s in (o.order_gone_s, o.unloaded_s))
        verdict = "yes" if o.passed else f"NO: {o.why}"
        cells = (o.fault, *times, str(o.samples_lost), o.state, o.recording, o.restart, verdict)
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
