"""The faults of the campaign: how each is injected into a site, and what must follow.

Never here: running a scenario or judging it; that is `campaigns.faults.campaign`.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from campaigns.faults.sightings import Sighting
from campaigns.faults.site import LEASE_S, ORDER, Site
from ebbset.controller.metrics import definitions as metrics

ASKED_AT_MOST: Final = 20
DISK_BYTES: Final = 48 * 1024 * 1024

Inject = Callable[[Site], Awaitable[None]]


@dataclass(frozen=True, slots=True)
class Scenario:
    """One fault.

    Attributes:
        name: short name.
        inject: injects the fault and returns as soon as it has happened.
        reasons: end reasons that are accepted; empty if no controller is left to report one.
        allowed_s: seconds from the fault until no load is ordered at the rig; one lease unless something must be
            detected first.
        prepare: run before anything starts.
        heal: run after the set has been unloaded, to see what comes back.
        tidy: run after everything has ended.
        goes_on: the set must go on undisturbed.
        cut: the recording ends at the fault and may lack the last half second.
        late: the fault happens at the end of the injection, not at its beginning.
        began_s: when it happened, by the machine's monotonic clock, if the injection hears of it only afterwards.
        seen: where the fault must show in the metrics, beside the reason for which the set ended.
    """

    name: str
    inject: Inject
    reasons: frozenset[str]
    allowed_s: float = LEASE_S
    prepare: Inject | None = None
    heal: Inject | None = None
    tidy: Inject | None = None
    goes_on: bool = False
    cut: bool = False
    late: bool = False
    began_s: Callable[[Site], float] | None = None
    seen: tuple[Sighting, ...] = ()


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
    """Kill it at the first reported drop, while the rig is still lowering the load."""

    def dropped() -> bool:
        return any(decision["action"] == "drop" for decision in site.of("decision"))

    await site.until(lambda: dropped() or bool(site.of("result")), timeout_s=120.0)
    if not dropped():
        ended = [result["reason"] for result in site.of("result")]
        raise TimeoutError(f"there was no drop; the set ended as {ended or 'not yet'}")
    site.signal("controller", signal.SIGKILL)
    await site.gone("controller")


async def _restart_controller(site: Site) -> None:
    since_s = time.monotonic()
    await site.start_controller("restarted", site.controller_way.port, after="controller")
    await site.until(lambda: "idle" in [report["state"] for report in site.of("state", since_s)], timeout_s=120.0)
    if not await site.until(lambda: "earlier_run_broke_off" in site.log("restarted"), timeout_s=60.0):
        raise TimeoutError("the restarted controller did not report the unfinished recording of the earlier run")


async def _second_controller(site: Site) -> None:
    """A second controller for the same rig, and a request to arm that only the second one can accept."""
    await site.start_controller("second", site.port)
    await site.until(lambda: any(report["state"] == "idle" for report in site.of("state")[-6:]), timeout_s=120.0)

    def accepted() -> int:
        return sum(answer["accepted"] for answer in site.of("answer"))

    before = accepted()
    # It takes no arming before it has a frame and does not say when; and the newest ticket may be the first's.
    for _ in range(ASKED_AT_MOST):
        await asyncio.sleep(1.0)
        await site.ask("arm", cautions_shown=True, timeout_s=2.0)
        # The first answer may be the other one's, and the rig may end the set before there is another.
        if await site.until(lambda: accepted() > before or site.of("result"), timeout_s=1.0):
            return
    raise TimeoutError("the second controller accepted no request to arm")


async def _second_rig(site: Site) -> None:
    await site.start_rig("double", site.port, seed=2)
    if not await site.until_truth(
        lambda: (site.folder / "double.truth").exists() and site.truth("double"), timeout_s=120.0
    ):
        raise TimeoutError("the second rig does not start")


def _second_rig_began_s(site: Site) -> float:
    """Its process writes the first line of its truth just before it connects."""
    return site.truth("double")[0].at_s


def _meddle(how: str) -> Inject:
    async def inject(site: Site) -> None:
        site.rig_way.commands = how  # type: ignore[assignment]

    return inject


def _inject(what: str) -> Inject:
    async def inject(site: Site) -> None:
        site.inject(what)
        if not await site.until_truth(lambda: site.truth()[-1].injected > 0, timeout_s=60.0):
            raise TimeoutError(f"the rig did not inject the fault: {what}")

    return inject


def _signal_controller(number: int) -> Inject:
    async def inject(site: Site) -> None:
        site.signal("controller", number)

    return inject


async def _suspend(site: Site) -> None:
    site.signal("controller", signal.SIGSTOP)
    asyncio.get_running_loop().call_later(5.0, site.signal, "controller", signal.SIGCONT)


async def _small_disk(site: Site) -> None:
    """Mount a small file system for the recordings. Needs root."""
    folder = site.recordings()
    folder.mkdir()
    mounted = await asyncio.create_subprocess_exec(
        "mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "ebbset-faults", str(folder)
    )
    if await mounted.wait() != 0:
        raise OSError("a small disk cannot be mounted here (needs root); this scenario was not run")


async def _fill_disk(site: Site) -> None:
    filler = site.recordings() / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(bytes(65_536)):
            pass
    if not await site.until(lambda: "recording_failed" in site.log("controller"), timeout_s=60.0):
        raise TimeoutError("the controller did not say that it cannot record")


async def _unmount(site: Site) -> None:
    unmounted = await asyncio.create_subprocess_exec("umount", "--lazy", str(site.recordings()))
    await unmounted.wait()


def _reasons(*names: str) -> frozenset[str]:
    return frozenset(names)


# A rig whose lease ran out reports it in an event and in its frames; whichever arrives first gives the reason.
_LINK: Final = _reasons("link_lost", "rig_lost", "lease_expired", "rig_disagrees", "telemetry_lost")
_LINK_LOST: Final = (Sighting(metrics.LINK_LOSSES),)
_TWO_BOOTS: Final = (Sighting(metrics.RIG_BOOTS, least=2.0),)
_REPEATED: Final = (Sighting(metrics.COMMANDS_REFUSED, {"refusal": "repeated_sequence"}),)
CONNECTING_S: Final = 1.0
"""From the start of a second rig to its announcement."""
MOST_PAUSE_S: Final = ORDER.stop.max_pause_s
DETECTION_S: Final = 1.5
"""Judgement, no source: a frozen, stuck or biased sensor differs from a slow lifter only once movement does not fit."""

SCENARIOS: Final[tuple[Scenario, ...]] = (
    Scenario("broker killed and restarted", _kill_broker, _LINK, heal=_start_broker, seen=_LINK_LOST),
    Scenario("network of both cut", _cut_both, _LINK, seen=_LINK_LOST),
    Scenario("controller cannot send", _block("controller", ("up",)), _LINK, heal=_unblock),
    Scenario("controller cannot hear", _block("controller", ("down",)), _LINK, heal=_unblock),
    Scenario("controller cut both ways", _block("controller", ("up", "down")), _LINK, heal=_unblock),
    Scenario("rig cannot send", _block("rig", ("up",)), _LINK, heal=_unblock),
    Scenario("rig cannot hear", _block("rig", ("down",)), _LINK, heal=_unblock),
    Scenario("rig cut both ways", _block("rig", ("up", "down")), _LINK, heal=_unblock),
    Scenario(
        "controller killed mid-drop",
        _kill_controller_mid_drop,
        frozenset(),
        heal=_restart_controller,
        cut=True,
        late=True,
        seen=(Sighting(metrics.BROKE_OFF),),
    ),
    Scenario("rig rebooted", _inject("now reboot"), _reasons("rig_rebooted", "rig_lost"), seen=_TWO_BOOTS),
    Scenario(
        "rig's emergency stop",
        _inject("now stop"),
        _reasons("emergency_stop"),
        seen=(Sighting(metrics.RIG_EVENTS, {"kind": "emergency_stop"}),),
    ),
    Scenario(
        "second controller",
        _second_controller,
        _reasons("rig_disagrees", "rig_refused", "lease_expired"),
        late=True,
    ),
    Scenario(
        "two rigs with one name",
        _second_rig,
        _reasons("rig_rebooted", "rig_lost"),
        allowed_s=LEASE_S + CONNECTING_S,
        began_s=_second_rig_began_s,
        seen=_TWO_BOOTS,
    ),
    Scenario(
        "commands delayed two seconds",
        _meddle("delay"),
        _reasons("lease_expired", "rig_refused", "rig_disagrees"),
        heal=_meddle("none"),
    ),
    Scenario("commands twice", _meddle("duplicate"), frozenset(), goes_on=True, seen=_REPEATED),
    Scenario("commands out of order", _meddle("reorder"), frozenset(), goes_on=True, seen=_REPEATED),
    Scenario(
        "rig's clock an hour ahead",
        _inject("now clock_forward"),
        _reasons("rig_refused", "telemetry_lost", "lease_expired"),
    ),
    Scenario("rig's clock set back", _inject("now clock_back"), _reasons("telemetry_lost", "rig_refused")),
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
    Scenario("telemetry silent", _inject("now silence"), _reasons("telemetry_lost")),
    Scenario(
        "a sensor says NaN",
        _inject("now nan"),
        _reasons("telemetry_lost"),
        seen=(Sighting(metrics.INPUTS_REFUSED, {"code": "not_finite"}),),
    ),
    Scenario(
        "telemetry frozen while moving",
        _inject("moving freeze"),
        _reasons("telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario(
        # A still handle and frozen telemetry look alike; the longest pause that the prescription allows ends both.
        "telemetry frozen while still",
        _inject("still freeze"),
        _reasons("pause_too_long", "telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + MOST_PAUSE_S,
    ),
    Scenario(
        "position stuck",
        _inject("moving stick"),
        _reasons("telemetry_frozen", "sensors_disagree"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario(
        # Force must disagree for a whole second, since inertia makes it disagree for shorter times.
        "force biased by 600 N",
        _inject("now bias"),
        _reasons("sensors_disagree"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario(
        "velocity biased by 0.5 m/s",
        _inject("now bias_velocity"),
        _reasons("sensors_disagree", "telemetry_frozen", "handle_released"),
        allowed_s=LEASE_S + DETECTION_S,
    ),
    Scenario("controller suspended for 5 s", _suspend, _reasons("lease_expired", "telemetry_lost", "link_lost")),
    Scenario(
        "disk full while recording",
        _fill_disk,
        frozenset(),
        prepare=_small_disk,
        tidy=_unmount,
        goes_on=True,
        cut=True,
        seen=(Sighting(metrics.RECORDING_FAILED),),
    ),
)
SHORT: Final = (
    "broker killed and restarted",
    "controller killed mid-drop",
    "rig cannot hear",
    "a sensor says NaN",
    "commands out of order",
)
