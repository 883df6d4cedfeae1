"""A web server of a test's own on loopback, a store with alarms behind it, and a browser before it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from alerts import ledger
from alerts.ledger import Alarm
from alerts.links import Answer, Links, ensure_key
from alerts.teller import Teller
from deploy.clock import monotonic_ms
from deploy.database import Database
from models.transition import Priority
from models.units import METRIC, US
from review.web.answers import answer_routes
from review.web.office import Caller, Office
from review.web.server import WebServer
from review.web.site import site
from tests.alerts.store import NOON, transition, write

KEY = b"k" * 32
DAY_MS = 86_400_000
FLEET = Teller(words={}, units=METRIC, names={"NF-01": "Heavy <recovery> & co"})
INES = Caller(name="Ines of the workshop", teller=Teller(words={}, units=US, names={}))


@dataclass
class Reception:
    """The server with what is needed to call at it; ``now_ms`` may be moved."""

    database: Database
    now_ms: int = NOON
    lifetime_ms: int = 7 * DAY_MS
    client: httpx.Client = field(default_factory=httpx.Client)

    @property
    def links(self) -> Links:
        return Links(keys=(KEY,), lifetime_ms=self.lifetime_ms)

    def office(self) -> Office:
        return Office(
            database=self.database,
            now_ms=lambda: self.now_ms,
            uptime_ms=monotonic_ms,
            lifetime_ms=self.lifetime_ms,
            teller=FLEET,
            caller={"ines": INES}.get,
            origins=frozenset({"https://fleet.northfold.example"}),
        )

    def alarm(self, vehicle: str = "NF-01") -> Alarm:
        """Raise an alarm, or give the one that stands."""
        with self.database.write() as tx:
            if not ledger.alarms(tx, vehicle=vehicle):
                raised = [transition(NOON, NOON, vehicle=vehicle)]
                write(tx, raised, vehicle=vehicle, now_ms=NOON)
            return ledger.alarms(tx, vehicle=vehicle)[0]

    def rise(self, vehicle: str = "NF-01") -> None:
        """Make the alarm critical."""
        with self.database.write() as tx:
            more = transition(NOON + 1, NOON, vehicle=vehicle, priority=Priority.CRITICAL)
            write(tx, [more], vehicle=vehicle, now_ms=NOON + 1, after_ms=NOON)

    def path(self, person: str = "ines", turn: int = 0) -> str:
        """Give the path of the link in the notice of the alarm."""
        claim = Answer(person=person, alarm_id=self.alarm().id, turn=turn)
        return f"/answer/{self.links.answer(claim, NOON)}"

    def known(self) -> Alarm:
        """Give the alarm as it stands."""
        return self.alarm()


def form(alarm: Alarm, **fields: str) -> dict[str, str]:
    """Fill in the form of the page that shows an alarm."""
    return {"seen": f"{alarm.id}:{int(alarm.priority)}", **fields}


@contextmanager
def reception(folder: Path) -> Iterator[Reception]:
    """Open a store and serve it."""
    database = Database(folder / "heatbook.db", synchronous="off")
    with database.write() as tx:
        ensure_key(tx, KEY, NOON)
    opened = Reception(database=database)
    server = WebServer(site(answer_routes(opened.office())), bind="127.0.0.1", port=0)
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        host, port = server.address
        opened.client = httpx.Client(base_url=f"http://{host}:{port}")
        yield opened
    finally:
        opened.client.close()
        assert server.stop()
        database.close()
