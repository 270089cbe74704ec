"""``ebbset page``: sets at work, and what was done, in a browser."""

from __future__ import annotations

import asyncio
import signal
import sys
from pathlib import Path
from typing import Any

import click

from ebbset.console.exits import CommandError, Exit
from ebbset.console.history_commands.history import store_options, store_url
from ebbset.console.rig_commands.broker_options import CREDENTIALS_HELP, broker_settings, connection_options
from ebbset.console.rig_commands.request import account_name
from ebbset.console.session_home import home_option
from ebbset.console.suggestions import SuggestingGroup


@click.group(name="page", cls=SuggestingGroup, invoke_without_command=True, epilog=CREDENTIALS_HELP)
@connection_options
@store_options
@click.option("--bind", default="127.0.0.1", show_default=True, help="Address that the page answers at.")
@click.option("--page-port", type=click.IntRange(0, 65_535), default=8765, show_default=True,
              help="Port that the page answers at; 0 for a free one.")  # fmt: skip
@click.option("--certificate", type=click.Path(path_type=Path), help="Certificate chain, PEM: the page is then https.")
@click.option("--key", type=click.Path(path_type=Path), help="Private key of the certificate, PEM.")
@click.option("--name", "names", multiple=True, metavar="HOST", help="Host name it may be opened by; repeat for more.")
@click.option("--login", is_flag=True, help="Ask for a login on this machine too.")
def command(**values: Any) -> int | None:
    """Show rigs, sets and what was done in a browser, until interrupted.

    The page is one more client of the broker: the controller neither knows nor needs it. It shows each set to the
    lifter, to the coach, and to the room, and a person can arm, start, release and stop from it. Its stop is a
    convenience over a network, not an emergency stop.

    By default it answers on this machine only and asks for no login. Elsewhere it demands TLS and a login: give
    --certificate and --key, and list people with `ebbset page user add`.

    \b
    Examples:
      ebbset page
      ebbset page --bind 0.0.0.0 --certificate page.crt --key page.key --name page.gym.example
      ebbset page user add anna --role coach
    """
    return None if click.get_current_context().invoked_subcommand is not None else _run(**values)


def _run(
    *,
    home: Path,
    bind: str,
    page_port: int,
    certificate: Path | None,
    key: Path | None,
    names: tuple[str, ...],
    login: bool,
    store: str | None,
    **broker: Any,
) -> int:
    from ebbset.console import logs
    from ebbset.console.page.server import Page, access_for, bound

    logs.configure()
    access = access_for(
        bind,
        home=home,
        names=frozenset(name.lower() for name in names),
        local_name=account_name(),
        certificate=certificate,
        key=key,
        login=login,
    )
    page = Page(
        broker_settings(**broker),
        home=home,
        store=store_url(home, store),
        access=access,
        listening=bound(bind, page_port),
        certificate=certificate,
        key=key,
    )

    async def until_stopped() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, stop.set)
        click.echo(f"The page is at {page.address}")
        await page.run(stop)

    asyncio.run(until_stopped())
    return int(Exit.OK)


@command.group(name="user", cls=SuggestingGroup)
def user() -> None:
    """List, add and remove the people who may log in to the page.

    \b
    Roles:
      observer  looks, and stops
      coach     also arms, starts and releases, runs sessions, and sees reports and histories
      site      also sees who is logged in, and ends logins
    """


@user.command(name="add")
@click.argument("name")
@click.option("--role", type=click.Choice(["observer", "coach", "site"]), required=True, help="What the person may do.")
@home_option
def add(name: str, role: str, home: Path) -> int:
    """Add NAME, or give NAME a new role and password. The password is asked for, or read from standard input."""
    from ebbset.console.page.access.people import Role, add_person
    from ebbset.console.page.server import PEOPLE_FILE

    if sys.stdin.isatty():
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\n")
    new = add_person(home / PEOPLE_FILE, name, Role(role), password)
    click.echo(f"{name} is {'now' if new else 'from now on'} {role}; logins of that name with another role have ended.")
    return int(Exit.OK)


@user.command(name="list")
@home_option
def list_people(home: Path) -> int:
    """List names and roles."""
    from ebbset.console.page.access.people import read_people
    from ebbset.console.page.server import PEOPLE_FILE

    people = read_people(home / PEOPLE_FILE).people
    for name, person in sorted(people.items()):
        click.echo(f"{name}  {person.role.value}")
    if not people:
        raise CommandError(f"{home / PEOPLE_FILE} lists nobody", Exit.NO)
    return int(Exit.OK)


@user.command(name="remove")
@click.argument("name")
@home_option
def remove(name: str, home: Path) -> int:
    """Remove NAME; logins of that name end at once."""
    from ebbset.console.page.access.people import remove_person
    from ebbset.console.page.server import PEOPLE_FILE

    remove_person(home / PEOPLE_FILE, name)
    click.echo(f"{name} may no longer log in.")
    return int(Exit.OK)
