"""Putting the web server together: from settings and a store to a site that is served."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from alerts.figure_reader import figures_of
from alerts.policy import Policy
from alerts.teller import Teller
from deploy.around import Around
from deploy.clock import monotonic_ms
from deploy.companion import Companion
from deploy.database import Database
from deploy.service_calendar import ServiceCalendar
from deploy.settings import Settings
from deploy.web.console import house_of
from deploy.web.feeds import Sources, feed_routes
from deploy.web.section import Web
from models.units import Units
from review.api.mount import api_routes
from review.console.screens import console_routes
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
    around: Around,
) -> Sequence[Companion]:
    """Give the server, and what runs for its pages; nothing is started."""

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
        origins=web.origins,
    )
    sources = Sources(calendar=calendar.feed, figures=_figures)
    parts = [answer_routes(office), feed_routes(office, sources)]
    beside: list[Companion] = []
    if web.console:
        house = house_of(web, database, policy, calendar, around)
        parts += [console_routes(house), api_routes(house)]
        beside.append(house.board)
    return (*beside, WebServer(site(*parts), bind=web.bind, port=web.port))


def _figures(conn: sqlite3.Connection, since_ms: int, until_ms: int) -> object:
    return plain(figures_of(conn, since_ms=since_ms, until_ms=until_ms))
