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
    policy is not installed, 6 when one is damaged.
    A recording cut short by a crash, or still being written, is compared as far as it goes, and the result says so.
    One that lacks anything else is compared up to there and called damaged: nothing is known about what comes after.
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
                "inputs_recorded": report.recorded,
                "outputs": report.outputs,
                "difference": None if report.difference is None else dataclasses.asdict(report.difference),
                "notes": list(report.notes),
            }
            for path, report in reports
        ]
        click.echo(formatting.visible(json.dumps(told, ensure_ascii=False, indent=2)))
    else:
        sentences = {
            Verdict.SAME: "the same, every output of every input",
            Verdict.SAME_AS_FAR_AS_RECORDED: "the same as far as the recording goes",
            Verdict.DAMAGED: "damaged; the same until something is missing, and nothing is known about the rest",
            Verdict.DIFFERENT: "different",
            Verdict.NOTHING_TO_REPLAY: "nothing to replay: no input can be read",
            Verdict.POLICY_MISSING: "not replayed: a drop policy is missing",
        }
        for path, report in reports:
            of = "" if report.inputs == report.recorded else f"{report.inputs} of "
            counted = (
                f"{of}{formatting.plural(report.recorded, 'input')}, {formatting.plural(report.outputs, 'output')}"
            )
            click.echo(formatting.visible(f"{path}: {sentences[report.verdict]} ({counted})"))
            if report.difference is not None:
                click.echo(formatting.visible(f"  first difference: {report.difference}"))
            for note in report.notes:
                click.echo(formatting.visible(f"  {note}"))
    if any(report.verdict is Verdict.POLICY_MISSING for _, report in reports):
        return int(Exit.MISSING_EXTRA)
    if any(report.verdict in (Verdict.DIFFERENT, Verdict.NOTHING_TO_REPLAY) for _, report in reports):
        return int(Exit.NO)
    return int(Exit.OK if all(report.reproduced for _, report in reports) else Exit.DAMAGED)
