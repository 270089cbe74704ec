"""Counting a site's run at both ends: what the wire showed, what was recorded, what the metrics say, what rigs did.

Never here: the run itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import select

from campaigns.site.campaign import SiteRun
from ebbset.coaching.history.databases import reading, sqlite_url
from ebbset.coaching.history.store import HistoryStore
from ebbset.coaching.history.tables import SetEntry
from ebbset.controller.messages.actions import Decision, SetResult
from ebbset.controller.metrics import definitions as d
from ebbset.controller.recording.reader import read_recording
from ebbset.simulators.closed_loop.invariant_monitor import InvariantMonitor


def settle(run: SiteRun) -> None:
    """Compare all accounts; what does not fit goes to the tally's problems, figures to its facts.

    Args:
        run: one that has ended.
    """
    problems, facts = run.tally.problems, run.tally.facts
    results = {n: (rig, r) for rig, reports in run.person.rigs.items() for n, r in reports.results.items() if n}
    run.tally.endings = Counter(result["reason"] for _, result in results.values())
    problems += list(_sets(run, results))
    problems += list(_recordings(run, results))
    problems += list(_store(run, results))
    problems += list(_metrics(run))
    problems += list(_log(run))
    if not run.tally.sets or not run.tally.faults:
        problems.append(f"{run.tally.sets} sets and {run.tally.faults.total()} faults; expected some of both")
    heard = Counter[str]()
    for reports in run.person.rigs.values():
        heard += reports.counts
    facts |= {f"{kind}s on the wire": heard[kind] for kind in ("command", "result", "decision", "repetition")}
    rigs = Counter[str]()
    for rig in run.rigs.values():
        rigs += rig.counts
    facts |= {"frames": rigs["rig/frame"], "acknowledgements": rigs["rig/ack"]}


def _sets(run: SiteRun, results: dict[str, tuple[str, dict[str, Any]]]) -> Iterator[str]:
    """Every set has ended, and none for a reason that nobody gave it."""
    for nonce, rig in run.armed.items():
        if nonce not in results and nonce not in run.lost_with_worker:
            yield f"{rig}: set {nonce} was begun and has no result"
    run.tally.facts["sets lost with a worker"] = len(run.lost_with_worker - results.keys())
    for rig, nonce, reason in run.unexplained:
        yield f"{rig}: set {nonce} ended as {reason}, and no fault was injected"


def _recordings(run: SiteRun, results: dict[str, tuple[str, dict[str, Any]]]) -> Iterator[str]:
    """Results and decisions of the wire are in recordings, and these keep every invariant."""
    recorded: set[str] = set()
    decisions: set[tuple[str, int, str]] = set()
    found = sorted(run.service.recordings.glob("*.mcap"))
    files = [path for path in found if not _is_empty(path)]
    broken = len(found) - len(files)
    for path in files:
        recording, monitor = read_recording(path), InvariantMonitor()
        broken += not recording.whole
        for item in recording.handled:
            monitor.step(item.event, item.outputs)
            for output in item.outputs:
                if isinstance(output, SetResult) and output.nonce is not None:
                    recorded.add(output.nonce)
                elif isinstance(output, Decision) and output.nonce is not None:
                    decisions.add((output.nonce, output.seq, output.reason.value))
        for breach in monitor.breaches[:1]:
            yield f"{path.name}: invariant {breach.invariant} broken: {breach.detail}"
    told = {
        (decision["nonce"], decision["seq"], decision["reason"])
        for reports in run.person.rigs.values()
        for decision in reports.decisions
        if decision["nonce"]
    }
    run.tally.facts |= {"recordings": len(files), "cut off": broken, "decisions told": len(told)}
    if missing := results.keys() - recorded:
        yield f"{len(missing)} results were told and are in no recording"
    # A worker that is killed may lose the last half second.
    lost = {nonce for nonce, _, _ in told - decisions} - run.lost_with_worker
    if lost:
        yield f"decisions of {len(lost)} sets were told and are in no recording"
    allowed = len(run.lost_with_worker) + len(run.rigs)
    if broken > allowed:
        yield f"{broken} recordings are not whole; allowed: {allowed}, those of lost workers"


def _is_empty(path: Path) -> bool:
    """Whether a worker was killed between making a file and writing its beginning; such a file counts as cut off."""
    return path.stat().st_size == 0


def _store(run: SiteRun, results: dict[str, tuple[str, dict[str, Any]]]) -> Iterator[str]:
    """A store that was filled twice over holds every set once, as it was told of."""
    files = [path for path in sorted(run.service.recordings.glob("*.mcap")) if not _is_empty(path)]
    with HistoryStore.open(sqlite_url(run.service.folder / "history.sqlite")) as store:
        first = [store.add_recording(path) for path in files]
        again = [store.add_recording(path) for path in files]
        if left_out := [one.name for one in first if not one.new]:
            yield f"the store does not take {left_out}"
        if doubled := [one.name for one in again if one.new]:
            yield f"the store takes {doubled} again"
        with reading(store.engine) as connection:
            stored = {row.nonce: row.reason for row in connection.execute(select(SetEntry.nonce, SetEntry.reason))}
    run.tally.facts["sets in the store"] = len(stored)
    if missing := run.armed.keys() - stored.keys():
        yield f"{len(missing)} sets were begun and are not in the store"
    for nonce, (rig, result) in results.items():
        if nonce in stored and stored[nonce] != result["reason"]:
            yield f"{rig}: set {nonce} ended as {result['reason']}, and the store says {stored[nonce]}"


def _metrics(run: SiteRun) -> Iterator[str]:
    """What the metrics counted. Of a worker that is lost, up to one report (0.5 s) and one scrape are lost, too."""
    scraped = run.service.scraped
    lost = {name for name, worker in run.workers_of.items() if worker in (0, run.service.workers - 1)}
    for rig, reports in run.person.rigs.items():
        wire = Counter(result["reason"] for result in reports.results.values())
        for reason, count in wire.items():
            seen = round(scraped.total(d.SETS_ENDED.name, rig=rig, reason=reason))
            if seen != count and not (rig in lost | run.retired and count - 2 <= seen <= count):
                yield f"{rig}: {count} sets ended as {reason}, and the metrics say {seen}"
    for name, least in (
        (d.WORKER_RESTARTS.name, 2),
        (d.SETTINGS_REFUSED.name, 1),
        (d.LINK_LOSSES.name, 0),
        (d.RIG_LOSSES.name, run.tally.faults["rig: cut"] // 2),
        (d.RIG_BOOTS.name, run.tally.faults["rig: reboot"] // 2 + len(run.rigs)),
    ):
        if (value := scraped.total(name)) < least:
            yield f"{name} is {value:g}; expected at least {least}"
    if run.tally.faults["rig: flood"] and scraped.total(d.DROPPED.name, queue="telemetry_limit") == 0:
        yield "rigs flooded, and no message was dropped for it"
    names = (d.SAMPLE_TO_COMMAND, d.LEASE_MARGIN)
    run.tally.facts |= {f"{m.name} counted": scraped.total(f"{m.name}_count") for m in names}
    run.tally.facts["scrapes"] = scraped.scrapes


def _log(run: SiteRun) -> Iterator[str]:
    """Lines about a rig bear rig and set, and everything is structured."""
    for line in run.service.lines:
        if line["event"] == "unstructured":
            yield f"the log has a line without structure: {line['text'][:200]}"
            return
        if "rig" in line and "set" not in line:
            yield f"the log has a line without its set: {line}"
            return
