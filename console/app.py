"""The command group: a static table of commands, each imported only when it is run.

Every error ends here as one sentence and an exit code. Each command has its own module with a click command named
``command``. ``ebbset --help`` imports none of them, because it must answer at once on a small computer.
"""

from __future__ import annotations

import importlib
import os
import signal
from collections.abc import Sequence
from typing import Final

import click

from ebbset.console.exits import CommandError, Exit, as_command_error, table_text
from ebbset.console.suggestions import SuggestingGroup

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": (
        "rig_commands.demo",
        "See a whole set: broker, virtual rig, controller, report. Simulated, about a minute.",
    ),
    "serve": ("rig_commands.serve", "Run the controller of a rig, or of a whole site, until it is stopped."),
    "rig": ("rig_commands.rig", "Run a virtual rig with a simulated lifter on it."),
    "check-rig": ("rig_commands.check_rig", "Check a rig against the wire contract, with nobody under the load."),
    "identify": ("rig_commands.identify", "Measure a rig's ramp, bandwidth and friction from the outside."),
    "page": ("rig_commands.page", "Show rigs, sets and what was done in a browser; arm, start and stop from there."),
    "request": ("rig_commands.request", "Ask a controller to arm, start, stop or release a set."),
    "stream": ("rig_commands.stream", "Stream a rig's samples and decisions to instruments beside it."),
    "check": ("commands.check", "Check prescriptions and lifter profiles."),
    "profile": ("commands.profile", "Build a lifter profile from a few submaximal sets."),
    "plan": ("commands.plan", "Find the best set for the time available, on simulated twins of the lifter."),
    "session": (
        "session_commands.session",
        "Check, plan, run and report a session of several exercises in the minutes that there are.",
    ),
    "report": ("commands.report", "Show recordings as tables here and as a page for the browser."),
    "replay": ("commands.replay", "Run a recording through the controller again; every decision must be the same."),
    "simulate": ("commands.simulate", "Run a prescription on simulated lifters, faster than real time."),
    "validate": ("commands.validate", "Compare the simulator with published figures."),
    "evaluate": ("commands.evaluate", "Compare the controller's judgement with the simulator's truth."),
    "import": (
        "people_commands.import_positions",
        "Turn an encoder's position series into recordings, to judge ebbset on them.",
    ),
    "compare": ("commands.compare", "Compare policies or prescriptions on a simulated population."),
    "family": ("commands.family", "List families of simulated lifters, or check one of your own."),
    "policy": ("policy_commands.policy", "List drop policies, check one of your own, or start one."),
    "study": ("study_commands.study", "Run a study: power, balanced schedule, blinded sessions, fidelity."),
    "history": (
        "history_commands.history",
        "Show what a lifter did over weeks, and keep the store that it is read from.",
    ),
    "collect": ("centre_commands.collect", "Gather what sites report into a store, at a centre."),
    "send": ("centre_commands.send", "Copy recordings to a folder anywhere, checked there by hash."),
    "lifter": ("commands.lifter", "Show, hand over or delete what is stored about one lifter."),
    "export": ("commands.export", "Export recordings as tidy tables, Parquet and CSV, with a data dictionary."),
}
"""Name -> (module in this package, line in the list). Static, so that showing the list imports nothing."""

EXTRAS: Final[dict[str, str]] = {
    "alembic": "history",
    "numba": "sim",
    "psycopg": "history",
    "scipy": "sim",
    "sqlalchemy": "history",
    "amqtt": "console",
    "argon2": "page",
    "jinja2": "console",
    "markupsafe": "console",
    "prometheus_client": "site",
    "rich": "console",
    "matplotlib": "plots",
    "mujoco": "bodies",
    "distributed": "study",
    "fsspec": "site",
    "gymnasium": "environment",
    "pyarrow": "study",
    "pylsl": "streams",
    "starlette": "page",
    "statsmodels": "analysis",
    "uvicorn": "page",
    "uvloop": "site",
}
"""Module -> extra that installs it. A test compares this table with the imports and with pyproject.toml."""

EPILOG: Final = f"""\b
Exit codes:
{table_text()}

\b
Completion of commands and options in your shell:
  bash   eval "$(_EBBSET_COMPLETE=bash_source ebbset)"
  zsh    eval "$(_EBBSET_COMPLETE=zsh_source ebbset)"
  fish   _EBBSET_COMPLETE=fish_source ebbset | source
"""


class LazyGroup(SuggestingGroup):
    """A group that lists the commands of `COMMANDS` and imports one only to run it or to show its help."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Names in the order of the table, which is the order in which a newcomer needs them."""
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command.

        Args:
            _ctx: click's context, which click passes and nothing here needs.
            cmd_name: as typed.
        """
        if cmd_name not in COMMANDS:
            return None
        from ebbset.console import logs

        # Log lines must never mix with what a script reads from standard output.
        logs.configure(quiet=True)
        module = importlib.import_module(f"ebbset.console.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table alone.

        Args:
            _ctx: click's context, which click passes and nothing here needs.
            formatter: takes the list.
        """
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


def _version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if not value or ctx.resilient_parsing:
        return
    from importlib.metadata import version

    from ebbset.controller.recording.core_build import core_build
    from ebbset.models.contract.wire import CONTRACT_VERSION

    core = ", compiled core" if core_build() == "compiled" else ""
    click.echo(f"ebbset {version('ebbset')}, wire contract {CONTRACT_VERSION}{core}")
    ctx.exit()


@click.group(
    cls=LazyGroup,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the versions and exit."
)
def cli() -> None:
    """Regulate a set on connected resistance hardware, record it, and explain every decision.

    A rig reports force and velocity over MQTT. While the lifter is moving, the controller decides when the load drops
    and by how much, never goes under the floor load, and ends the set by the rules of its prescription.

    New here? `ebbset demo` shows everything at once, on a simulated rig with a simulated lifter.

    This software is not a safety function: the rig needs a stop of its own, within reach. Read safety.md first.
    """


def run(arguments: Sequence[str]) -> int:
    """Run the command line; every outcome becomes an exit code and at most one message."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        result = cli.main(args=list(arguments), prog_name="ebbset", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("ebbset: interrupted.", err=True)
        return int(Exit.INTERRUPTED)
    except Exception as error:
        known = explain(error)
        known.show()
        return known.exit_code
    return result if isinstance(result, int) else int(Exit.OK)


def explain(error: BaseException) -> CommandError:
    """Turn an error that a command did not handle into a sentence and an exit code."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    if isinstance(error, CommandError):
        return error
    if isinstance(error, ModuleNotFoundError):
        missing = (error.name or "").partition(".")[0]
        if missing in EXTRAS:
            return CommandError(
                f"this command needs {missing}, which is not installed; pip install 'ebbset[{EXTRAS[missing]}]'",
                Exit.MISSING_EXTRA,
            )
    if isinstance(error, ValueError):
        from ebbset.models.contract.problems import BadDocumentError, UnusableFileError

        if isinstance(error, BadDocumentError):
            return as_command_error(error)
        if isinstance(error, UnusableFileError):
            return CommandError(str(error), Exit.BAD_INPUT)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return CommandError(f"{where}{error.strerror or error}", Exit.BAD_INPUT)
    return CommandError(_report_defect(error), Exit.DEFECT)


def _report_defect(error: BaseException) -> str:
    # Here, because they load slowly and a help page needs neither.
    import tempfile
    import traceback

    text = "".join(traceback.format_exception(error))
    handle, name = tempfile.mkstemp(prefix="ebbset-defect-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
    return f"a defect of ebbset ({type(error).__name__}: {str(error)[:200]}); please report it with {name}"
