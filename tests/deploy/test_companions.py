"""What runs beside the daemon, put together from settings: the link in a notice leads to who answers it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from alerts import gathering, ledger, sending
from alerts.alarm import State
from alerts.gathering import Look
from alerts.people import Person, Way
from alerts.policy import Policy, Route
from alerts.routing import Plan, Rule
from deploy.assembly import composer
from deploy.companions import companions_of
from deploy.database import Database
from deploy.reporter import asking
from deploy.sections import Store
from deploy.settings import Settings
from deploy.web.section import Web
from models.fleet import Fleet
from models.units import US
from tests.alerts.far_side import free_port, until
from tests.alerts.store import MINUTE, NOON, transition, write

INES = Person(
    key="ines",
    name="Ines of the workshop",
    ways=(Way(channel="smtp", address="ines@northfold.example"),),
    units=US,
    zone=US.zone,
    reads=frozenset({"digest"}),
)
POLICY = Policy(
    routes=(Route(channel="smtp"),),
    plan=Plan(people={"ines": INES}, fallback=Rule(name="all", tell=("ines",))),
)


@dataclass(frozen=True, slots=True)
class Beside:
    settings: Settings
    database: Database

    def notice(self, destination: str) -> str:
        """Raise an alarm and give the text of the notice of it to a destination."""
        with self.database.write() as tx:
            if not ledger.alarms(tx):
                write(tx, [transition(NOON, NOON)], now_ms=NOON, policy=POLICY)
            look = Look(
                channel=destination.split("/", maxsplit=1)[0],
                bundles=True,
                now_ms=NOON + MINUTE,
            )
            while claimed := gathering.take(tx, look):
                if claimed.destination == destination:
                    break
            assert claimed is not None
            told = sending.told(tx, claimed.id)
        compose = composer(self.settings, Fleet(), self.database, POLICY)
        return compose(claimed, told, ()).body


@pytest.fixture
def beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Beside]:
    monkeypatch.setattr("deploy.reporter.EVERY_S", 0.02)
    port = free_port()
    settings = Settings(
        store=Store(path=tmp_path / "heatbook.db"),
        web=Web(port=port, public_url=f"http://127.0.0.1:{port}", plain_http=True),
    )
    database = Database(settings.store.path, synchronous="off")
    running = companions_of(settings, Fleet(), database, POLICY, lambda: NOON + 2 * MINUTE)
    for each in running:
        each.start()
    until(lambda: _answers(port))
    yield Beside(settings, database)
    for each in running:
        assert each.stop() is True
    database.close()


def _answers(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/robots.txt").status_code == 200
    except httpx.TransportError:
        return False


def _link(text: str) -> str:
    (line,) = [each for each in text.splitlines() if "/answer/" in each]
    return line.strip()


def test_the_link_in_a_persons_notice_acknowledges_for_them(beside: Beside) -> None:
    link = _link(beside.notice("smtp/ines"))
    page = httpx.get(link).text
    assert "Nobody has acknowledged this yet." in page
    seen = page.partition('name="seen" value="')[2].partition('"')[0]
    httpx.post(link, data={"seen": seen})
    with beside.database.read() as conn:
        (alarm,) = ledger.alarms(conn)
    assert (alarm.state, alarm.acknowledged_by) == (State.ACKNOWLEDGED, INES.name)


def test_the_link_in_a_lists_notice_asks_who_it_is(beside: Beside) -> None:
    assert 'name="name"' in httpx.get(_link(beside.notice("smtp"))).text


def test_what_is_asked_for_is_made_and_posted_to_who_reads_it(beside: Beside) -> None:
    with beside.database.write() as tx:
        for name in ("digest", "week", "calendar"):
            asking(name, 1000)(tx, NOON)

    def pending() -> int:
        with beside.database.read() as conn:
            return int(
                conn.execute(
                    "SELECT count(*) FROM report_asked WHERE made_ms IS NULL"
                ).fetchone()[0]
            )

    until(lambda: pending() == 0)
    with beside.database.read() as conn:
        assert [each.destination for each in sending.sendings(conn)] == ["smtp/ines"]


def test_without_a_public_address_there_are_no_links(tmp_path: Path) -> None:
    database = Database(tmp_path / "other.db", synchronous="off")
    text = Beside(Settings(web=Web()), database).notice("smtp")
    database.close()
    assert "/answer/" not in text


@pytest.mark.parametrize(
    ("url", "plain_http", "words"),
    [
        ("http://fleet.northfold.example", False, "begins with http"),
        ("fleet.northfold.example", False, "write it like https"),
        ("ftp://fleet.northfold.example", True, "write it like https"),
        ("https://fleet.northfold.example/?a=b", False, "write it like https"),
    ],
)
def test_an_address_that_nobody_can_follow_is_refused(
    url: str, plain_http: bool, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        Web(public_url=url, plain_http=plain_http)
