"""Putting the console together: the house it shows, the gate before it, and who comes in first."""

from __future__ import annotations

import sys
from contextlib import suppress
from functools import partial

import structlog

from alerts.links import Purpose
from alerts.policy import Policy
from deploy import addresses
from deploy.around import Around
from deploy.clock import monotonic_ms, wall_ms
from deploy.database import Database
from deploy.service_calendar import ServiceCalendar
from deploy.steady_clock import SteadyClock
from deploy.web.section import Web
from review.access import accounts
from review.access.first import first_manager
from review.access.gate import Gate
from review.access.passwords import Passwords
from review.board import Board
from review.console.house import House

log = structlog.get_logger()


def house_of(
    web: Web, database: Database, policy: Policy, calendar: ServiceCalendar, around: Around
) -> House:
    """Give the house; a store that has no account gets a manager."""
    reader = calendar.reader
    passwords = Passwords()
    _let_first_in(database, passwords, log_ms=reader.now_ms())
    return House(
        store=database,
        reader=reader,
        policy=policy,
        units=calendar.units,
        names=calendar.names,
        groups=around.groups,
        board=Board(
            database,
            reader,
            groups=around.groups,
            uptime_ms=monotonic_ms,
            epoch=f"{wall_ms():x}",
        ),
        gate=Gate(
            database,
            units=calendar.units,
            # However fast a demonstration's day runs.
            now_ms=reader.now_ms if isinstance(reader.now_ms, SteadyClock) else wall_ms,
            log_ms=reader.now_ms,
            uptime_ms=monotonic_ms,
            origins=web.origins,
            rules=web.session_rules(),
            passwords=passwords,
        ),
        uptime_ms=monotonic_ms,
        installation=around.installation,
        calendar_url=partial(_calendar_url, database, web),
    )


def _calendar_url(database: Database, web: Web, scope: str) -> str:
    with database.read() as conn:
        return addresses.url(conn, web, Purpose.CALENDAR, scope)


def _let_first_in(database: Database, passwords: Passwords, *, log_ms: int) -> None:
    """Print the first one-time password, once.

    On standard output: logs go to standard error, are sent on and are kept, and a password has no place
    there. Where nobody sees it, ``heatbook accounts new-password`` prints another.
    """
    password = first_manager(database, passwords, now_ms=wall_ms(), log_ms=log_ms)
    if password is None:
        return
    log.info("account.first_made", account=accounts.FIRST)
    said = (
        f"The console has its first account. Name: {accounts.FIRST}  one-time password: {password}\n"
        "It is shown this once, and is taken for 7 days; whoever signs in with it chooses their own.\n"
        f"Lost? 'heatbook accounts new-password {accounts.FIRST}' on this machine makes another.\n"
    )
    with suppress(OSError, ValueError):  # nobody reads there
        sys.stdout.write(said)
        sys.stdout.flush()
