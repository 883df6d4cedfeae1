"""``/services``: whose service is due when, as a list and as a calendar, and who could come together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import urlencode

from starlette.responses import Response
from starlette.routing import BaseRoute

from models.due import Due
from models.units import MONTHS, Units
from review.console.done import done_words
from review.console.house import House
from review.console.visit import Visit, route
from review.reading import no_account
from review.services_due import (
    ServiceDue,
    Together,
    in_order,
    month_of,
    of_board,
    today_of,
    together,
)

FIRST_YEAR, LAST_YEAR = 1971, 2199
"""Years that the calendar can show."""

EVERYBODY = "*"
"""The scope of the calendar of all trucks."""

MOST_ROWS = 100
"""Trucks that the list names at first, the most urgent: nobody plans further; the rest by a link."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One truck of the list: the date in words, between which days, why, and what rests on estimates."""

    service: ServiceDue
    when: str
    between: str
    why: str
    unseen: str
    overdue: bool
    soon: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Trucks that could come together, with the address of their work sheets."""

    monday: date
    sunday: date
    services: tuple[ServiceDue, ...]
    sheets: str


SOON_DAYS = 14
"""Days ahead within which a service is called near; own choice: a shop books about so far ahead."""


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/services", _services),)


def _services(visit: Visit) -> Response:
    house, zone = visit.house, visit.visitor.units.zone
    fleet = house.board.now()
    services = in_order(of_board(truck) for truck in fleet.trucks.values())
    today = today_of(house.now_ms(), zone)
    month = month_of_query(visit.request.query_params.get("month", ""), today)
    url = house.calendar_url
    listed = services if "all" in visit.request.query_params else services[:MOST_ROWS]
    return visit.page(
        "services.html",
        title="Services due",
        fleet=fleet,
        rows=[_row(each, visit.visitor.units, today) for each in listed],
        left=len(services) - len(listed),
        month=month_of(services, month, today=today, zone=zone),
        today=today,
        months=MONTHS,
        weeks=[_week(each) for each in together(services, today=today, zone=zone)],
        calendar=url(EVERYBODY) if url else "",
        done=done_words(visit),
    )


def month_of_query(text: str, today: date) -> date:
    """Read which month is asked for, ``2026-06``; what is none is this one."""
    year, _, month = text.partition("-")
    if year.isascii() and year.isdigit() and month.isascii() and month.isdigit():
        asked = (int(year[:6]), int(month[:6]))
        if FIRST_YEAR <= asked[0] <= LAST_YEAR and 1 <= asked[1] <= 12:
            return date(*asked, 1)
    return today.replace(day=1)


def _row(service: ServiceDue, units: Units, today: date) -> Row:
    due = service.due
    day = service.day(units.zone, today)
    return Row(
        service=service,
        when="not known" if due is None else when_words(due, units),
        between="" if due is None else between_words(due, units),
        why=no_account(service.truck, service.standing)
        if due is None
        else why_words(due, units),
        unseen=unseen_words(service, units),
        overdue=due is not None and due.overdue,
        soon=day is not None and day < today + timedelta(days=SOON_DAYS),
    )


def when_words(due: Due, units: Units) -> str:
    """Say when a service is due, in a few words."""
    if due.median_ms is None:
        return "not within five years"
    day = units.day(due.median_ms)
    return f"since {day}" if due.overdue else day


def between_words(due: Due, units: Units) -> str:
    """Say between which days it is in 8 of 10 cases; nothing where that is known, or nothing is."""
    if due.overdue or due.median_ms is None or due.early_ms == due.late_ms:
        return ""
    early = "now" if due.early_ms is None else units.day(due.early_ms)
    late = "later than in five years" if due.late_ms is None else units.day(due.late_ms)
    return f"8 in 10: {early} to {late}"


def why_words(due: Due, units: Units) -> str:
    """Say by which limit it is due, and how much of that is used."""
    if due.reason == "distance":
        of = f"{units.length(due.distance_km)} of {units.length(due.distance_limit_km)}"
        return f"distance: {of} driven ({due.share_by_distance:.0%})"
    if due.reason == "age":
        return (
            f"age: {due.age_days:.0f} of {due.age_limit_days:.0f} days ({due.share_by_age:.0%})"
        )
    return f"heat: {due.share_by_heat:.0%} of the fluid's share is used"


def unseen_words(service: ServiceDue, units: Units) -> str:
    """Say what of a fill's life nobody saw; nothing where that is little."""
    account = service.account
    if account is None or account.unseen_km < 0.05 * max(account.distance_km, 1.0):
        return ""
    return f"{units.length(account.unseen_km)} of {units.length(account.distance_km)} not seen"


def _week(found: Together) -> Week:
    query = urlencode([("truck", each.truck) for each in found.services])
    return Week(
        monday=found.monday,
        sunday=found.monday + timedelta(days=6),
        services=found.services,
        sheets=f"/services/sheet?{query}",
    )
