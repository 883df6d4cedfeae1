"""The API of a test's own on loopback, with the invented fleet's day behind it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx

from deploy.database import Database
from models.units import METRIC, Units
from review.access import tokens
from review.access.tokens import Scope
from review.access.visitor import Role
from review.api.mount import api_routes
from review.api.pace import Pace
from review.console.house import House
from review.console.screens import console_routes
from review.web.server import WebServer
from review.web.site import site
from tests.review.northfold_day import END_MS, day_store
from tests.review.stage import NAMES, account, house_of, sign_in

NOW = datetime.fromtimestamp(END_MS / 1000, UTC).isoformat().replace("+00:00", "Z")
"""The end of the fleet's day."""

UNHURRIED = Pace(per_s=1e6, at_once=1e6)
"""So fast that no test is asked to wait."""


@dataclass
class ApiStage:
    """What is needed to call at the API; ``client`` comes with a token for everything."""

    database: Database
    house: House
    client: httpx.Client
    url: str

    def token(self, *scopes: Scope) -> str:
        """Make a token."""
        now_ms = self.house.gate.now_ms()
        with self.database.write() as tx:
            name = f"program {len(tokens.listed(tx))}"
            return tokens.make(
                tx, name, scopes, by=NAMES[Role.MANAGER], now_ms=now_ms, ends_ms=None
            )

    @contextmanager
    def program(self, *scopes: Scope) -> Iterator[httpx.Client]:
        """Give the client of a program whose token has these scopes."""
        with _client(self.url) as client:
            client.headers["Authorization"] = f"Bearer {self.token(*scopes)}"
            yield client

    @contextmanager
    def person(self, role: Role) -> Iterator[httpx.Client]:
        """Give the client of somebody who is signed in."""
        with _client(self.url) as client:
            sign_in(client, self.house, account(self.database, role))
            yield client


@contextmanager
def api_stage(
    folder: Path, *, units: Units = METRIC, pace: Pace = UNHURRIED, guesses: int = 10**9
) -> Iterator[ApiStage]:
    """Open the day's store and serve console and API over it."""
    database = day_store(folder)
    house = house_of(database, units=units)
    api = api_routes(house, pace=pace, guesses=guesses)
    server = WebServer(site(console_routes(house), api), bind="127.0.0.1", port=0)
    house.board.start()
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        host, port = server.address
        with _client(f"http://{host}:{port}") as client:
            stage = ApiStage(
                database=database, house=house, client=client, url=f"http://{host}:{port}"
            )
            client.headers["Authorization"] = f"Bearer {stage.token(*Scope)}"
            yield stage
    finally:
        assert house.board.stop()
        assert server.stop()
        database.close()


def _client(url: str) -> httpx.Client:
    return httpx.Client(base_url=f"{url}/api/v1", timeout=60.0)


def problem(answer: httpx.Response, status: int, kind: str) -> dict[str, Any]:
    """Hold an answer to RFC 9457 and give its details."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    told: dict[str, Any] = answer.json()
    assert told["status"] == status
    assert told["type"] == f"/api/v1/#{kind}"
    assert told["instance"] == answer.request.url.raw_path.decode().partition("?")[0]
    assert told["title"]
    assert told["detail"]
    assert "Traceback" not in answer.text
    return told


def pan_drop(**said: Any) -> dict[str, Any]:
    """Write what was done as a program does."""
    return {"kind": "pan_drop", "done_at": NOW, "volume_l": 4.5, "filter_changed": True, **said}
