"""A conformance run from beginning to end: connect, carry out every procedure, write a report.

Here: the result of each check, and the report as JSON and as text. Never here: what a check asks (`checks`) and how it
is carried out (`procedures`).
"""

from __future__ import annotations

import asyncio
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from ebbset.conformance.checks import CATALOGUE, Check
from ebbset.conformance.procedures import run
from ebbset.conformance.rig_client import RigClient, open_rig_client
from ebbset.conformance.trial import Hands, Trial
from ebbset.controller.link.settings import BrokerSettings

DEFAULT_LOAD_N = 120.0


class Status(StrEnum):
    """Outcome of a check."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_DONE = "not_done"
    NOT_APPLICABLE = "not_applicable"


@dataclass(frozen=True, slots=True)
class Result:
    """One check and its outcome; ``measured`` gives the figures, or why it was not done."""

    check: Check
    status: Status
    measured: str


@dataclass(frozen=True, slots=True)
class Report:
    """A whole run. ``identity`` is the rig's announcement, None when there was none."""

    rig: str
    identity: dict[str, Any] | None
    load_n: float
    duration_s: float
    results: tuple[Result, ...]

    @property
    def conforms(self) -> bool:
        """Every check that applies was done and passed."""
        return all(result.status in (Status.PASSED, Status.NOT_APPLICABLE) for result in self.results)

    def count(self, status: Status) -> int:
        """How many checks had this outcome."""
        return sum(result.status is status for result in self.results)

    def as_json(self) -> dict[str, Any]:
        """The report as plain data: stable names, figures in words."""
        return {
            "version": 1,
            "rig": self.rig,
            "conforms": self.conforms,
            "identity": self.identity,
            "load_n": self.load_n,
            "duration_s": round(self.duration_s, 1),
            "checks": [
                {
                    "name": result.check.name,
                    "asks": result.check.asks,
                    "status": result.status.value,
                    "measured": result.measured,
                    "why": result.check.why,
                    "fix": result.check.fix,
                }
                for result in self.results
            ],
        }

    def as_text(self, *, width: int = 110) -> str:
        """The report to print and sign: first the failures, why they matter and how to fix them, then every check.

        Args:
            width: longest line, characters.
        """
        lines = [f"Conformance of rig {self.rig}", ""]
        if self.identity is not None:
            lines += [f"  {key.replace('_', ' ')}: {value}" for key, value in self.identity.items()]
        lines += [f"  test load: {self.load_n:g} N; duration {self.duration_s:.0f} s", ""]
        for result in self.results:
            if result.status is Status.FAILED:
                lines += _paragraph(f"WRONG  {result.check.name}: {result.check.asks}", width, "  ")
                for label, text in (
                    ("seen", result.measured),
                    ("why it matters", result.check.why),
                    ("how to fix it", result.check.fix),
                ):
                    lines += _paragraph(f"{label}: {text}", width, "         ")
                lines.append("")
        for result in self.results:
            words = result.status.value.replace("_", " ")
            lines += _paragraph(f"{words:<15}{result.check.name:<27}{result.measured}", width, "  ", hanging=44)
        verdict = "conforms" if self.conforms else "does NOT conform"
        counts = ", ".join(f"{self.count(status)} {status.value.replace('_', ' ')}" for status in Status)
        return "\n".join([*lines, "", f"The rig {verdict}: {counts}."])


def _paragraph(text: str, width: int, indent: str, *, hanging: int | None = None) -> list[str]:
    later = indent + "  " if hanging is None else " " * hanging
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=later, drop_whitespace=True)


async def check_rig(
    rig: str, broker: BrokerSettings, *, hands: Hands | None = None, load_n: float = DEFAULT_LOAD_N
) -> Report:
    """Carry out every check against one rig with nobody under the load.

    Args:
        rig: its name in the topics.
        broker: where it is heard.
        hands: who moves the empty handle, presses the stop and switches the rig off; without it those checks are
            not done.
        load_n: test load, newtons per cable; at most half the rig's maximum is used.

    Raises:
        aiomqtt.MqttError: the broker is not there, or goes away.
    """
    async with open_rig_client(rig, broker) as client:
        began_s = asyncio.get_running_loop().time()
        await client.wait_for(lambda: bool(client.identities), 2.0)
        most_n = client.identity.max_load_n / 2 if client.identities else load_n
        trial = Trial(client, broker, hands, min(load_n, most_n))
        await run(trial)
        return Report(
            rig=rig,
            identity=_identity_of(client),
            load_n=trial.load_n,
            duration_s=asyncio.get_running_loop().time() - began_s,
            results=results_of(trial, by_hand=hands is not None),
        )


def _identity_of(client: RigClient) -> dict[str, Any] | None:
    return client.identity.model_dump(mode="json") if client.identities else None


def results_of(trial: Trial, *, by_hand: bool) -> tuple[Result, ...]:
    """The catalogue with the outcome of each check; no check passes without a verdict.

    Args:
        trial: the run whose notebook holds the verdicts.
        by_hand: somebody was at the rig to move the handle, press the stop and switch the power.
    """
    results: list[Result] = []
    frames = not trial.client.identities or trial.by_frames
    aborted = "; ".join(f"{step}: {why}" for step, why in trial.book.aborted.items())
    for check in CATALOGUE:
        verdict = trial.book.verdicts.get(check.name)
        if check.frames_only and not frames:
            results.append(Result(check, Status.NOT_APPLICABLE, "the rig sends no frames"))
        elif missing := [name for name in check.needs if _failed(name, results)]:
            results.append(Result(check, Status.NOT_DONE, f"needs {missing[0]} to pass first"))
        elif verdict is not None:
            results.append(Result(check, Status.PASSED if verdict[0] else Status.FAILED, verdict[1]))
        else:
            why = aborted or ("was not reached" if by_hand else "needs hands at the rig")
            results.append(Result(check, Status.NOT_DONE, why))
    return tuple(results)


def _failed(name: str, results: Sequence[Result]) -> bool:
    """True if the check failed or was not done; one that does not apply counts as neither."""
    return any(result.check.name == name and result.status in (Status.FAILED, Status.NOT_DONE) for result in results)
