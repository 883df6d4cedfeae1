"""Putting the web server together: from settings and a store to a site that is served."""

from __future__ import annotations

from alerts.figure_reader import figures_of
from alerts.policy import Policy
from alerts.teller import Teller
from deploy.clock import Clock
from deploy.database import Database
from deploy.figures_json import plain as plain_figures
from deploy.kinds import WORDS
from deploy.reading import Reader
from deploy.service_calendar import ServiceCalendar
from deploy.settings import Settings
from deploy.titles import Titles
from deploy.web.answers import answer_routes
from deploy.web.feeds import Sources, feed_routes
from deploy.web.office import Caller, Office
from deploy.web.section import Web
from deploy.web.server import WebServer
from deploy.web.site import site
from models.fleet import Fleet
from models.units import Units


def door(
    settings: Settings,
    web: Web,
    fleet: Fleet,
    database: Database,
    policy: Policy,
    now_ms: Clock,
) -> WebServer:
    """Give the server; it is not started."""
    names = Titles(fleet, database)
    units = settings.fleet.units.units(settings.fleet.zone)

    def teller(own: Units) -> Teller:
        return Teller(words=WORDS, units=own, names=names)

    def caller(key: str) -> Caller | None:
        person = policy.plan.people.get(key) if policy.plan else None
        return Caller(name=person.name, teller=teller(person.units)) if person else None

    office = Office(
        database=database,
        now_ms=now_ms,
        lifetime_ms=web.lifetime_ms,
        teller=teller(units),
        caller=caller,
        origins=frozenset({web.origin} - {""}),
    )
    calendar = ServiceCalendar(
        database=database, reader=Reader.of(settings, fleet), units=units, names=names
    )
    sources = Sources(
        calendar=calendar.feed,
        figures=lambda conn, since_ms, until_ms: plain_figures(
            figures_of(conn, since_ms=since_ms, until_ms=until_ms)
        ),
    )
    return WebServer(
        site(answer_routes(office), feed_routes(office, sources)),
        bind=web.bind,
        port=web.port,
    )
