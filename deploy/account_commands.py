"""``heatbook accounts``: who may sign in to the console, for whoever sits at the machine itself."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from deploy import logs
from deploy.clock import clock_of, wall_ms
from deploy.database import Database, StoreBusy, beside_daemon, read_only
from deploy.desk import login_name
from deploy.options import Config
from deploy.printing import foreign, say, show, table
from deploy.settings import Settings, load_settings
from review.access import accounts
from review.access.accounts import ROLES
from review.access.audit import Deed, audit
from review.access.passwords import ONE_TIME_MS, Passwords, one_time
from review.measures import minute

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Who may sign in to the console: for whoever sits at the machine itself.",
)

Name = Annotated[str, typer.Argument(help="Whose account.")]
RoleName = Literal["viewer", "technician", "manager"]


@app.command("list")
def list_command(config: Config = None) -> None:
    """List who may sign in, as what, and how each account stands."""
    settings = _settings(config)
    with read_only(settings.store.path) as conn:
        known = conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'account'").fetchone()
        found = accounts.listed(conn) if known else ()
    made = table("Name", "Role", "Since", "State", wide=("Name", "Since", "State"))
    for each in found:
        since = minute(each.made_ms, settings.fleet.zone)
        made.add_row(foreign(each.name), each.role.name.lower(), since, each.state(wall_ms()))
    if found:
        show(made)
    else:
        say("Nobody. The daemon makes a first manager when it starts with the console.")


@app.command("add")
def add_command(
    name: Name,
    role: Annotated[RoleName, typer.Option(help="What they may do.")] = "technician",
    config: Config = None,
) -> None:
    """Add an account, and print its one-time password."""
    settings = _settings(config)
    password, kept, now_ms = _one_time()
    with _writing(settings, first=True) as tx:
        until_ms = now_ms + ONE_TIME_MS
        account = accounts.add(
            tx, name, ROLES[role], kept, now_ms=now_ms, one_time_until_ms=until_ms
        )
        _note(tx, settings, Deed.ACCOUNT_ADDED, f"{account.name}, {role}")
    _say_password(account.name, password)


@app.command("role")
def role_command(
    name: Name,
    role: Annotated[RoleName, typer.Argument(help="What they may do from now on.")],
    config: Config = None,
) -> None:
    """Change what somebody may do; it counts with their next click."""
    settings = _settings(config)
    with _writing(settings) as tx:
        account = accounts.named(tx, name)
        accounts.set_role(tx, account, ROLES[role], wall_ms())
        was = account.role.name.lower()
        _note(tx, settings, Deed.ROLE_CHANGED, f"{account.name}: {was} to {role}")
    say(f"{account.name} is {role} now.")


@app.command("disable")
def disable_command(name: Name, config: Config = None) -> None:
    """Let somebody in no more, and end their sessions; what they signed stays."""
    settings = _settings(config)
    with _writing(settings) as tx:
        account = accounts.named(tx, name)
        accounts.disable(tx, account, wall_ms())
        _note(tx, settings, Deed.ACCOUNT_DISABLED, account.name)
    say(f"{account.name} comes in no more. 'heatbook accounts enable' takes that back.")


@app.command("enable")
def enable_command(name: Name, config: Config = None) -> None:
    """Let somebody in again with the password they had."""
    settings = _settings(config)
    with _writing(settings) as tx:
        account = accounts.named(tx, name)
        accounts.enable(tx, account, wall_ms())
        _note(tx, settings, Deed.ACCOUNT_ENABLED, account.name)
    say(f"{account.name} may come in again.")


@app.command("new-password")
def new_password_command(name: Name, config: Config = None) -> None:
    """Print a one-time password for somebody who lost theirs; it ends their sessions."""
    settings = _settings(config)
    password, kept, now_ms = _one_time()
    with _writing(settings) as tx:
        account = accounts.named(tx, name)
        until_ms = now_ms + ONE_TIME_MS
        accounts.set_password(tx, account, kept, now_ms=now_ms, one_time_until_ms=until_ms)
        _note(tx, settings, Deed.PASSWORD_GIVEN, account.name)
    _say_password(account.name, password)


def _settings(config: Path | None) -> Settings:
    return load_settings(config=config, env=os.environ).settings


@contextmanager
def _writing(settings: Settings, *, first: bool = False) -> Iterator[sqlite3.Connection]:
    """Write in one transaction, beside a running daemon or without one; all of it counts, or nothing.

    ``first``: may be the first thing that is ever written, where there is no store yet.
    """
    if not first:
        with read_only(settings.store.path):
            pass  # says so when there is none
    try:
        database = Database(settings.store.path, synchronous=settings.store.synchronous)
    except StoreBusy:
        with beside_daemon(settings.store.path) as tx:
            yield tx
        return
    logs.set_up("error")
    with closing(database), database.write() as tx:
        yield tx


def _one_time() -> tuple[str, str, int]:
    password = one_time()
    return password, Passwords().keep(password), wall_ms()


def _note(tx: sqlite3.Connection, settings: Settings, what: Deed, about: str) -> None:
    who = f"{login_name()}, at the machine"
    audit(tx, who, what, about, now_ms=clock_of(settings)())


def _say_password(name: str, password: str) -> None:
    typer.echo(f"One-time password of {name}: {password}")
    say(
        "It is shown this once and taken for 7 days. Who signs in with it chooses a password of "
        "their own."
    )
