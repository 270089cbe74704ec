"""``ebbset request``: ask the controller to arm, start, stop or release a set, and show the answer."""

from __future__ import annotations

import asyncio
import getpass
import json
import re
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_options, broker_settings
from ebbset.console.suggestions import SuggestingGroup

if TYPE_CHECKING:
    from ebbset.models.contract.prescription import Prescription


@click.group(name="request", cls=SuggestingGroup)
def command() -> None:
    """Ask the controller of a rig to arm, start, stop or release a set, and wait for its answer.

    \b
    The order of a set:
      ebbset request arm --prescription row.toml     binds the rig to this set; no load yet
      ebbset request start                           handle docked: the load comes on
      ebbset request stop                            at any time: unloads and ends the set for good
      ebbset request release                         like stop, when nobody is there any more

    Exit code 0 when the request was accepted, 1 when it was refused, 4 when nobody answered.
    """


def account_name() -> str:
    """Make a name that the wire contract allows from the user's account name."""
    return re.sub(r"[^A-Za-z0-9_.\-]", "-", getpass.getuser())[:64] or "operator"


def _common(function: Any) -> Any:
    function = click.option(
        "--wait",
        "wait_s",
        type=click.FloatRange(0, 3600),
        default=0.0,
        help="Keep asking for so many seconds while broker, controller or rig are not there yet.",
    )(function)
    function = click.option("--json", "as_json", is_flag=True, help="Show the answer as JSON.")(function)
    function = click.option(
        "--operator", "who", default=account_name, show_default="your account", help="Your name; recorded with the set."
    )(function)
    return broker_options(function)


@command.command(name="arm", epilog=CREDENTIALS_HELP)
@_common
@click.option("--prescription", type=click.Path(path_type=Path), help="By default, the one given to `serve`.")
@click.option(
    "--profile", type=click.Path(path_type=Path), help="The lifter's profile; by default, the one given to `serve`."
)
@click.option(
    "--cautions-shown",
    is_flag=True,
    help="For scripts: confirm that the lifter saw the cautions by other means and agreed to go on.",
)
def arm(
    rig: str,
    who: str,
    as_json: bool,
    wait_s: float,
    prescription: Path | None,
    profile: Path | None,
    cautions_shown: bool,
    **values: Any,
) -> int:
    """Bind the rig to one set, after showing the cautions. No load is applied yet.

    The cautions are shown and confirmed before every arming, and the recording says so. Without a terminal, use
    --cautions-shown.
    """
    from ebbset.console.report.prescription_text import refuse_mismatch
    from ebbset.controller.service.documents import read_prescription, read_profile

    order = None if prescription is None else read_prescription(prescription)
    lifter = None if profile is None else read_profile(profile)
    if order is not None:
        refuse_mismatch(order, lifter)
    if not cautions_shown:
        _show_cautions()
    more = {"cautions_shown": True, "prescription": order, "profile": lifter}
    return _ask("arm", rig, who, as_json, wait_s, values, blinded_by=order, **more)


@command.command(name="start", epilog=CREDENTIALS_HELP)
@_common
@click.option("--watch", is_flag=True, help="Show the set live until it ends.")
@click.option(
    "--prescription",
    type=click.Path(path_type=Path),
    help="With --watch: the armed file, for its unit, its loads and what a study hides on screens.",
)
@click.option(
    "--audience",
    type=click.Choice(["lifter", "assessor"]),
    help="With --watch, in a study: who sees the screen. By default anybody, so it hides what it hides from either.",
)
def start(
    rig: str,
    who: str,
    as_json: bool,
    wait_s: float,
    watch: bool,
    prescription: Path | None,
    audience: str | None,
    **values: Any,
) -> int:
    """Start the armed set: the load comes on, with the handle docked."""
    from ebbset.controller.service.documents import read_prescription

    order = None if prescription is None else read_prescription(prescription)
    code = _ask("start", rig, who, as_json, wait_s, values, blinded_by=order)
    if code == Exit.OK and watch:
        _watch(rig, order, audience, values)
    return code


@command.command(name="stop", epilog=CREDENTIALS_HELP)
@_common
def stop(rig: str, who: str, as_json: bool, wait_s: float, **values: Any) -> int:
    """Stop the set: the rig unloads, and a person must arm again before another set.

    This is a request over a network, not an emergency stop. In an emergency, use the rig's own stop.
    """
    return _ask("stop", rig, who, as_json, wait_s, values)


@command.command(name="release", epilog=CREDENTIALS_HELP)
@_common
def release(rig: str, who: str, as_json: bool, wait_s: float, **values: Any) -> int:
    """Release the rig from its set: it unloads and forgets the set."""
    return _ask("release", rig, who, as_json, wait_s, values)


def _show_cautions() -> None:
    if not sys.stdin.isatty():
        raise CommandError(
            "cautions_shown is missing; allowed: a terminal to confirm at, or --cautions-shown after showing them",
            Exit.USAGE,
        )
    if not confirmed():
        raise CommandError("not armed: the cautions were not confirmed", Exit.NO)


def confirmed() -> bool:
    """Show the cautions in the terminal and ask whether the lifter saw them and agreed to go on."""
    from ebbset.models.contract.cautions import CONFIRMATION, as_text

    click.echo(as_text(width=min(shutil.get_terminal_size().columns, 96)))
    return click.confirm(f"\n{CONFIRMATION}")


def _ask(
    action: str,
    rig: str,
    who: str,
    as_json: bool,
    wait_s: float,
    values: dict[str, Any],
    *,
    blinded_by: Prescription | None = None,
    **more: Any,
) -> int:
    """Ask, and show the answer as far as the session's prescription lets a screen show it."""
    from ebbset.console.live.operator_client import Operator, ask_until_there
    from ebbset.console.live.screen_blinding import ScreenBlinding
    from ebbset.models.contract.operator_messages import RequestAction
    from ebbset.models.contract.study_mark import mark_of

    asking = Operator(broker_settings(**values), rig, who)
    answer = asyncio.run(ask_until_there(lambda: asking.ask(RequestAction(action), **more), wait_s))
    mark = None if blinded_by is None else mark_of(blinded_by.notes)
    blinding = ScreenBlinding() if mark is None else ScreenBlinding(mark.hidden_from(None))
    code, message = blinding.answer(answer.code, answer.message)
    if as_json:
        told = {"code": code, "message": message, "state": blinding.state(answer.state)}
        click.echo(json.dumps({**answer.model_dump(mode="json"), **told}, ensure_ascii=False))
    else:
        click.echo(f"{'accepted' if answer.accepted else 'refused'} ({code}): {message}")
    return int(Exit.OK if answer.accepted else Exit.NO)


def _watch(rig: str, order: Any, audience: Any, values: dict[str, Any]) -> None:
    from ebbset.console.live.live_state import LiveState
    from ebbset.console.live.live_view import follow, on_screen, picture
    from ebbset.console.terminal import Terminal

    state = LiveState() if order is None else LiveState.of(order, audience)
    console = Terminal()
    with on_screen(state, console):
        asyncio.run(follow(broker_settings(**values), rig, state))
    console.print(picture(state))
    if state.result is None:
        raise CommandError("the controller is gone; the rig unloads by itself within its lease", Exit.UNREACHABLE)
    console.print(f"\nIt ended because: {state.ended_because}")
