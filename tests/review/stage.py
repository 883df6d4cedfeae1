"""The console of a test's own on loopback, with the invented fleet's day behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
from starlette.requests import Request
from starlette.responses import Response

from deploy.clock import monotonic_ms
from deploy.database import Database
from models.units import METRIC, Units
from review.access.visitor import Role, Visitor
from review.board import Board
from review.console.house import House
from review.console.screens import console_routes
from review.reading import Reader
from review.titles import Titles
from review.web.server import WebServer
from review.web.site import site
from tests.review.northfold_day import END_MS, POLICY, day_store, fleet, reader


@dataclass
class Everybody:
    """Lets everybody in as one person."""

    visitor_: Visitor

    def visitor(self, request: Request) -> Visitor | None:
        del request
        return self.visitor_

    def refusal(
        self, request: Request, visitor: Visitor, form: Mapping[str, str]
    ) -> Response | None:
        del request, visitor, form
        return None


@dataclass
class Stage:
    """What is needed to call at the console."""

    database: Database
    house: House
    client: httpx.Client
    url: str


def house_of(
    database: Database,
    *,
    reader_: Reader | None = None,
    role: Role = Role.MANAGER,
    units: Units = METRIC,
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
        gate=Everybody(Visitor(name="Ines", role=role, units=units)),
        uptime_ms=monotonic_ms,
    )


@contextmanager
def stage(folder: Path, *, role: Role = Role.MANAGER, units: Units = METRIC) -> Iterator[Stage]:
    """Open the day's store and serve the console over it."""
    database = day_store(folder)
    house = house_of(database, role=role, units=units)
    server = WebServer(site(console_routes(house)), bind="127.0.0.1", port=0)
    house.board.start()
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        host, port = server.address
        url = f"http://{host}:{port}"
        with httpx.Client(base_url=url) as client:
            yield Stage(database=database, house=house, client=client, url=url)
    finally:
        assert house.board.stop()
        assert server.stop()
        database.close()
