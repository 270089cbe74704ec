"""``ebbset session``: check, plan, run and report a session of several exercises."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_settings, connection_options
from ebbset.console.rig_commands.request import account_name
from ebbset.console.session_home import home_option, journal_path, plan_path, read_plan, session_name
from ebbset.console.shared_options import dask_option, seed_option, shared_out, workers_option
from ebbset.console.suggestions import SuggestingGroup


@click.group(name="session", cls=SuggestingGroup)
def command() -> None:
    """Check, plan, run and report a session: several exercises of one lifter, in the minutes that there are.

    \b
    The order of a session:
      ebbset session check tuesday.toml     is the file usable?
      ebbset session plan tuesday.toml      weighs it on simulated twins and writes a plan
      ebbset session run tuesday            leads through it; a person arms and starts each set
      ebbset session report tuesday         says what was done of it
    """


@command.command(name="check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
def check(files: tuple[Path, ...]) -> int:
    """Check session files and plans, with the profiles and prescriptions that they name.

    \b
    Exit code 0 when every file is usable, 1 when one is not, 3 when one could not be read.

    \b
    Example:
      ebbset session check tuesday.toml
    """
    from ebbset.console.session_commands.documents import examined
    from ebbset.models.contract.problems import BadDocumentError

    usable = True
    for path in files:
        try:
            for line in examined(path):
                click.echo(line)
        except BadDocumentError as error:
            usable = False
            click.echo(f"{path}: not usable")
            for problem in error.problems:
                click.echo(f"  {problem}")
    return int(Exit.OK if usable else Exit.NO)


@command.command(name="plan")
@click.argument("file", type=click.Path(path_type=Path))
@home_option
@click.option("--twins", type=click.IntRange(2, 200), default=12, show_default=True, help="Simulated twins.")
@seed_option
@workers_option(most=256)
@dask_option
@click.option("--cables", type=click.Choice(["1", "2"]), default="1", show_default=True, help="Cables of the rigs.")
@click.option(
    "--simulated-profile", is_flag=True, help="Plan on profiles that were made from simulated sets, for nobody."
)
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Plan to write instead (TOML).")
@click.option("--json", "as_json", is_flag=True, help="Everything as JSON.")
def plan(
    file: Path,
    home: Path,
    twins: int,
    seed: int,
    workers: int,
    cluster: str | None,
    cables: str,
    simulated_profile: bool,
    output: Path | None,
    as_json: bool,
) -> int:
    """Weigh a whole session on simulated twins of the lifter, and write the plan that does most in the minutes.

    Sets, forms, rests and, where the file allows it, the order of the exercises are compared, with the fatigue that one
    exercise leaves in the muscles of the next. The plan is recommended, or else there is no clear winner and it says
    what drives the doubt. It says where a set that keeps dropping belongs and where it does not. Every limit of the
    file is in every set. Loads come from the profiles and from the sessions in the home folder. The figures are
    simulated, relative and estimated; a person decides.

    \b
    Examples:
      ebbset session plan tuesday.toml
      ebbset session plan tuesday.toml --twins 24 -o tuesday.plan.toml
    """
    from ebbset.console.session_commands.planning import as_plain, made_plan, show_plan

    name = session_name(file)
    if journal_path(home, name).exists() and output is None:
        raise CommandError(
            f"{journal_path(home, name)}: this session was begun already; allowed: a file of another name, or --output",
            Exit.BAD_INPUT,
        )
    with shared_out(workers, cluster) as mapper:
        made = made_plan(
            file, home, name, twins=twins, seed=seed, mapper=mapper, cables=int(cables), simulated=simulated_profile
        )
    if as_json:
        click.echo(json.dumps(as_plain(made), ensure_ascii=False, indent=2))
    else:
        show_plan(made)
    if made.file is None:
        return int(Exit.NO)
    target = plan_path(home, name) if output is None else output
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(made.file.to_toml(), encoding="utf-8")
    click.echo(f"The plan is in {target}", err=as_json)
    return int(Exit.OK)


@command.command(name="run", epilog=CREDENTIALS_HELP)
@click.argument("session", metavar="NAME|PLAN")
@home_option
@connection_options
@click.option(
    "--operator", "who", default=account_name, show_default="your account", help="Your name; recorded with each set."
)
def run(session: str, home: Path, who: str, **values: Any) -> int:
    """Lead through a session: what comes next, with which load and why, and how long the rest still is.

    Each set is armed and started by a person, after the cautions. Keys: a arms, s starts, x stops, l releases an armed
    set, k skips a set, r repeats the last one, e ends the session. A session that was broken off goes on where it
    was, with nothing armed. At the end of the minutes it ends, and a set that is still at work is stopped.

    \b
    Example:
      ebbset session run tuesday --host gym-broker --operator coach-b
    """
    from ebbset.console.session_commands.leading import lead_through

    name, planned = read_plan(home, session)
    return int(lead_through(name, planned, home, broker_settings(**values), who))


@command.command(name="report")
@click.argument("session", metavar="NAME|PLAN")
@home_option
@click.option(
    "--page", type=click.Path(path_type=Path, dir_okay=False), help="Page to write; default: beside the plan."
)
@click.option("--no-page", is_flag=True, help="Table only.")
@click.option("--json", "as_json", is_flag=True, help="JSON instead of the table, and no page unless --page names one.")
def report(session: str, home: Path, page: Path | None, no_page: bool, as_json: bool) -> int:
    """Say what was done of a session: each set, its load, its end, rests, the 1RM of the day, and what was left out.

    From the journal of the session, and from the recordings in the home folder where they hold its sets.

    \b
    Example:
      ebbset session report tuesday
    """
    from ebbset.console.session_commands.reporting import report_session

    if page is not None and no_page:
        raise click.UsageError("--page and --no-page cannot be used together.")
    name, planned = read_plan(home, session)
    target = page if page is not None or no_page or as_json else plan_path(home, name).with_name(f"{name}.html")
    return int(report_session(name, planned, home, target, as_json=as_json))
