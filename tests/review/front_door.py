"""The console over an empty store, with a clock that is moved by hand: for what is asked at its door."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.cookies import Morsel, SimpleCookie
from pathlib import Path
from typing import Any

import argon2
import httpx

from deploy.clock import wall_ms
from deploy.database import Database
from review.access.gate import CSRF_HEADER
from review.access.passwords import Passwords
from review.access.visitor import Role
from tests.review.stage import PASSWORD, Stage, account, house_of, served

QUICK = argon2.Parameters(
    type=argon2.Type.ID,
    version=19,
    salt_len=16,
    hash_len=32,
    time_cost=1,
    memory_cost=64,
    parallelism=1,
)
"""The real thing at a small cost, where the cost is not what is looked at."""

OUTSIDE = "https://fleet.northfold.example"
BY_HTTPS = {"host": "fleet.northfold.example", "x-forwarded-proto": "https"}
"""As a proxy on this machine sends on what came to it by https."""


@dataclass
class Times:
    """Two clocks that go on when told to."""

    now: int = field(default_factory=wall_ms)
    up: int = 0

    def pass_(self, ms: int) -> None:
        self.now += ms
        self.up += ms


@dataclass
class Door:
    """What is needed to stand before it."""

    at: Stage
    times: Times

    def client(self, **more: object) -> httpx.Client:
        """Give a browser that has never been here."""
        return httpx.Client(base_url=self.at.url, **more)  # type: ignore[arg-type] # as httpx takes it

    def sign_in(
        self,
        client: httpx.Client,
        name: str = "Ines",
        password: str = PASSWORD,
        to: str = "/me",
        **headers: str,
    ) -> httpx.Response:
        """Fill in the form as it is shown."""
        secret = form_secret(client.get("/sign-in", headers=headers).text)
        fields = {"csrf": secret, "next": to, "name": name, "password": password}
        return client.post("/sign-in", data=fields, headers=headers)

    @contextmanager
    def signed_in(self, role: Role = Role.MANAGER) -> Iterator[httpx.Client]:
        """Give a browser in which somebody filled in the form."""
        with self.client() as client:
            assert self.sign_in(client, account(self.at.database, role).name).status_code == 303
            client.headers[CSRF_HEADER] = form_secret(client.get("/me").text)
            yield client

    def audit(self) -> list[tuple[str, str, str]]:
        """Give who did what about what, oldest first."""
        return self.rows("SELECT who, what, about FROM audit ORDER BY id")

    def rows(self, sql: str, *values: object) -> list[Any]:
        with self.at.database.read() as conn:
            return conn.execute(sql, values).fetchall()

    def write(self) -> sqlite3.Connection:
        return self.at.database.write()  # type: ignore[return-value] # used with `with`


@contextmanager
def front_door(
    folder: Path,
    *,
    origins: frozenset[str] = frozenset(),
    parameters: argon2.Parameters = QUICK,
) -> Iterator[Door]:
    """Serve the console; nobody but the manager Ines has an account."""
    times = Times()
    database = Database(folder / "heatbook.db", synchronous="off")
    house = house_of(
        database,
        clock=lambda: times.now,
        uptime_ms=lambda: times.up,
        origins=origins,
        passwords=Passwords(parameters),
    )
    with served(house, database) as at:
        yield Door(at, times)


def form_secret(page: str) -> str:
    """Read the secret of a page's form."""
    found = re.search(r'name="csrf" value="([^"]*)"', page)
    assert found is not None, page
    return found[1]


def set_cookies(response: httpx.Response) -> dict[str, Morsel[str]]:
    """Read what cookies an answer sets, by http.cookies of the standard library."""
    jar = SimpleCookie()
    for header in response.headers.get_list("set-cookie"):
        jar.load(header)
    return dict(jar)
