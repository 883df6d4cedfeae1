"""Putting the web server together: from settings and a store to a site that is served."""

from __future__ import annotations

import sqlite3

from alerts.figure_reader import figures_of
from alerts.policy import Policy
from alerts.teller import Teller
from deploy.clock import monotonic_ms
from deploy.database import Database
from deploy.service_calendar import ServiceCalendar
from deploy.settings import Settings
from deploy.web.feeds import Sources, feed_routes
from deploy.web.section import Web
from models.units import Units
from review.figures_json import plain
from review.kinds import WORDS
from review.web.answers import answer_routes
from review.web.office import Caller, Office
from review.web.server import WebServer
from review.web.site import site


def door(
    settings: Settings,
    web: Web,
    database: Database,
    policy: Policy,
    calendar: ServiceCalendar,
) -> WebServer:
    """Give the server; it is not started."""

    def teller(own: Units) -> Teller:
        return Teller(words=WORDS, units=own, names=calendar.names)

    def caller(key: str) -> Caller | None:
        person = policy.plan.people.get(key) if policy.plan else None
        return Caller(name=person.name, teller=teller(person.units)) if person else None

    office = Office(
        database=database,
        now_ms=calendar.reader.now_ms,
        uptime_ms=monotonic_ms,
        lifetime_ms=web.lifetime_ms,
        teller=teller(settings.fleet.units.units(settings.fleet.zone)),
        caller=caller,
        origins=frozenset({web.origin} - {""}),
    )
    sources = Sources(calendar=calendar.feed, figures=_figures)
    return WebServer(
        site(answer_routes(office), feed_routes(office, sources)),
        bind=web.bind,
        port=web.port,
    )


def _figures(conn: sqlite3.Connection, since_ms: int, until_ms: int) -> object:
    return plain(figures_of(conn, since_ms=since_ms, until_ms=until_ms))
