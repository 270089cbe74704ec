"""``ebbset replay``: check that a recording leads to the same decisions again, bit for bit."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import click

from ebbset.console.exits import Exit
from ebbset.models.contract import formatting


@click.command(name="replay")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text: one object per file.")
def command(files: tuple[Path, ...], as_json: bool) -> int:
    """Run recordings through the controller again and compare every output to the last bit.

    The recording holds every input in the order in which it was handled, and decisions depend on nothing else. A
    difference means that the controller is not the one that made the recording (another version, another drop policy),
    or that the file was changed. The first difference is shown: the recorded value and the value now. A set whose drop
    policy is not installed here cannot be replayed; the message names the policy, and nothing is compared.

    \b
    Exit code 0 when every file led to the same outputs, 1 when one did not, 3 when one could not be read, 5 when a drop
    policy is not installed.
    A recording cut short by a crash is compared as far as it goes, and the result says so.
    """
    from ebbset.controller.recording.replay import Verdict, replay
    from ebbset.controller.recording.sources import open_recording
    from ebbset.controller.service.policy_registry import load_policies

    policies = load_policies()
    reports = [(path, replay(open_recording(path), policies)) for path in files]
    if as_json:
        told = [
            {
                "file": str(path),
                "verdict": report.verdict.value,
                "reproduced": report.reproduced,
                "inputs": report.inputs,
                "outputs": report.outputs,
                "difference": None if report.difference is None else dataclasses.asdict(report.difference),
                "notes": list(report.notes),
            }
            for path, report in reports
        ]
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        sentences = {
            Verdict.SAME: "the same, every output of every input",
            Verdict.SAME_AS_FAR_AS_RECORDED: "the same as far as the recording goes",
            Verdict.DIFFERENT: "different",
            Verdict.NOTHING_TO_REPLAY: "nothing to replay: no input can be read",
            Verdict.POLICY_MISSING: "not replayed: a drop policy is missing",
        }
        for path, report in reports:
            counted = f"{formatting.plural(report.inputs, 'input')}, {formatting.plural(report.outputs, 'output')}"
            click.echo(f"{path}: {sentences[report.verdict]} ({counted})")
            if report.difference is not None:
                click.echo(f"  first difference: {report.difference}")
            for note in report.notes:
                click.echo(f"  {note}")
    if any(report.verdict is Verdict.POLICY_MISSING for _, report in reports):
        return int(Exit.MISSING_EXTRA)
    return int(Exit.OK if all(report.reproduced for _, report in reports) else Exit.NO)
