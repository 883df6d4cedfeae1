"""The console of a test's own on loopback, with the invented fleet's day behind it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from urllib.parse import quote

import httpx
from playwright.sync_api import Page

from deploy.clock import monotonic_ms, wall_ms
from deploy.database import Database
from models.units import METRIC, Units
from review.access import accounts, cookies, sessions
from review.access.accounts import Account
from review.access.gate import CSRF_HEADER, Gate
from review.access.passwords import Passwords
from review.access.visitor import Role
from review.api.mount import api_routes
from review.board import Board
from review.console.house import House
from review.console.screens import console_routes
from review.reading import Reader
from review.store import Clock
from review.titles import Titles
from review.web.server import WebServer
from review.web.site import site
from tests.review.northfold_day import END_MS, POLICY, day_store, fleet, reader

TIMEOUT_S = 120.0
"""So long a page may take on a machine that has much else to do [s]; how fast pages are, benches say."""

PASSWORD = "rain on the north yard"  # noqa: S105 - of accounts that tests make
NAMES = {Role.MANAGER: "Ines", Role.TECHNICIAN: "Omar", Role.VIEWER: "Kim"}
"""Who signs in as what."""


@cache
def _passwords() -> tuple[Passwords, str]:
    """Give the real thing, and what it keeps of the password: computed once for all tests."""
    passwords = Passwords()
    return passwords, passwords.keep(PASSWORD)


@dataclass
class Stage:
    """What is needed to call at the console; ``client`` is signed in."""

    database: Database
    house: House
    client: httpx.Client
    url: str


def account(database: Database, role: Role) -> Account:
    """Give the account of this role; it is made where there is none."""
    with database.write() as tx:
        found = accounts.found(tx, NAMES[role])
        kept = _passwords()[1]
        return found or accounts.add(
            tx, NAMES[role], role, kept, now_ms=wall_ms(), one_time_until_ms=None
        )


def sign_in(client: httpx.Client, house: House, owner: Account) -> None:
    """Give a client a session; it sends the session's secret along with everything, as a form does."""
    with house.store.write() as tx:
        token = sessions.begin(tx, owner.id, house.gate.rules, now_ms=house.gate.now_ms())
        (csrf,) = tx.execute("SELECT csrf FROM session ORDER BY id DESC LIMIT 1").fetchone()
    client.cookies.set(cookies.SESSION, token)
    client.headers[CSRF_HEADER] = csrf


@contextmanager
def signed_in(at: Stage, role: Role) -> Iterator[httpx.Client]:
    """Give a client of somebody with this role."""
    with httpx.Client(base_url=at.url, timeout=TIMEOUT_S) as client:
        sign_in(client, at.house, account(at.database, role))
        yield client


def page_signed_in(page: Page, at: Stage, role: Role = Role.MANAGER, path: str = "/") -> None:
    """Fill in the sign-in form in a browser, and go to a page."""
    name = account(at.database, role).name
    page.goto(f"{at.url}/sign-in?next={quote(path, safe='')}")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(at.url + path)


def house_of(
    database: Database,
    *,
    reader_: Reader | None = None,
    units: Units = METRIC,
    clock: Clock = wall_ms,
    uptime_ms: Clock = monotonic_ms,
    origins: frozenset[str] = frozenset(),
    passwords: Passwords | None = None,
) -> House:
    """Put a house together over a store."""
    reads = reader_ or reader(END_MS)
    groups = {"quarry": frozenset({"NF-03", "NF-04"})}
    board = Board(database, reads, groups=groups, uptime_ms=monotonic_ms)
    board.refresh()
    return House(
        store=database,
        reader=reads,
        policy=POLICY,
        units=units,
        names=Titles(fleet(), database),
        groups=groups,
        board=board,
        gate=Gate(
            database,
            units=units,
            now_ms=clock,
            log_ms=reads.now_ms,
            uptime_ms=uptime_ms,
            origins=origins,
            passwords=passwords or _passwords()[0],
        ),
        uptime_ms=monotonic_ms,
    )


@contextmanager
def stage(folder: Path, *, role: Role = Role.MANAGER, units: Units = METRIC) -> Iterator[Stage]:
    """Open the day's store and serve the console over it."""
    database = day_store(folder)
    with served(house_of(database, units=units), database, role=role) as at:
        yield at


@contextmanager
def served(house: House, database: Database, *, role: Role = Role.MANAGER) -> Iterator[Stage]:
    """Serve the console of a house, to whose store the database is; close it afterwards."""
    server = WebServer(site(console_routes(house), api_routes(house)), bind="127.0.0.1", port=0)
    house.board.start()
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        host, port = server.address
        url = f"http://{host}:{port}"
        with httpx.Client(base_url=url, timeout=TIMEOUT_S) as client:
            sign_in(client, house, account(database, role))
            yield Stage(database=database, house=house, client=client, url=url)
    finally:
        assert house.board.stop()
        assert server.stop()
        database.close()
