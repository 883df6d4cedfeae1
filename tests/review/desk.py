"""What the tests of the pages where people act share: the day's alarms, forms as a browser sends them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser

import httpx

from alerts import history, ledger
from alerts.alarm import Event
from alerts.ledger import Alarm
from deploy.database import Database
from deploy.pipeline import Pipeline
from ingest import record
from ingest.record import Entry
from review.model_version import model_version
from tests.deploy.store import rules
from tests.review.northfold_day import END_MS, POLICY, courses, fleet

STUCK, HOT, SPELL, DUE = (
    ("NF-03", "bypass_stuck"),
    ("NF-03", "over_temperature"),
    ("NF-05", "over_temperature"),
    ("NF-07", "service_due"),
)
"""The alarms of the day: stands; over and latched; over and returned; stands."""


def alarm(database: Database, which: tuple[str, str]) -> Alarm:
    """Give the newest alarm of a truck and kind."""
    with database.read() as conn:
        return ledger.alarms(conn, vehicle=which[0], kind=which[1])[0]


def happened(database: Database, alarm_id: str) -> list[tuple[Event, str, str]]:
    """Give what happened to an alarm: what, by whom, with what comment."""
    with database.read() as conn:
        return [(each.event, each.by, each.comment) for each in history.events(conn, alarm_id)]


def audited(database: Database) -> list[tuple[str, str]]:
    """Give the deeds in the audit log: what, by whom."""
    with database.read() as conn:
        rows = conn.execute(
            "SELECT what, who FROM audit WHERE what NOT LIKE 'sign_in%' ORDER BY id"
        )
        return list(rows)


def count(database: Database) -> None:
    """Count what was entered, as the daemon does."""
    Pipeline(
        database,
        registered=frozenset(fleet().vehicles),
        courses=courses(),
        rules=rules(policy=POLICY, model_version=model_version()),
        now_ms=lambda: END_MS,
    ).load()


TRUCK = "NF-07"
HERE = f"/trucks/{TRUCK}/service"
"""The truck whose services are recorded, and where."""


def entries(database: Database, truck: str = TRUCK) -> list[Entry]:
    """Give all that was ever entered of a truck."""
    with database.read() as conn:
        return record.history(conn, truck)


@dataclass
class Form:
    """One form of a page: where it goes, and what its fields hold."""

    action: str
    method: str
    fields: dict[str, str] = field(default_factory=dict)


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []
        self._open: Form | None = None
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._open = Form(told.get("action", ""), told.get("method", "get"))
            self.found.append(self._open)
        elif self._open is None:
            return
        elif tag == "input" and "name" in told:
            unticked = told.get("type") in ("checkbox", "radio") and "checked" not in told
            if not unticked:
                self._open.fields[told["name"]] = told.get("value", "")
        elif tag == "select":
            self._select = told.get("name", "")
            self._open.fields[self._select] = ""
        elif tag == "option" and self._select and "selected" in told:
            self._open.fields[self._select] = told.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = None
        elif tag == "select":
            self._select = ""


def forms(page: httpx.Response, action: str) -> list[Form]:
    """Give the forms of a page that go to an address."""
    reader = _Forms()
    reader.feed(page.text)
    return [each for each in reader.found if each.action == action]


def send(client: httpx.Client, form: Form, **changes: str) -> httpx.Response:
    """Send a form as a browser would, with some fields filled in otherwise."""
    told: Mapping[str, str] = {**form.fields, **changes}
    return client.post(form.action, data=dict(told))


def form_of(client: httpx.Client, kind: str) -> Form:
    """Give the form of a kind of entry, as it stands when it is opened."""
    (form,) = forms(client.get(f"{HERE}/{kind}"), f"{HERE}/{kind}")
    return form
