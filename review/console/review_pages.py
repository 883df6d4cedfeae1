"""``/review``: after a failure. A truck and a day are chosen; then what came first, and the evidence."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.ledger import Alarm
from review.access.audit import Deed
from review.console.chart import Chart, chart_of
from review.console.house import House
from review.console.visit import Visit, route
from review.dossier import package as packing
from review.dossier import report_tables as tables
from review.dossier.candidates import Candidate, candidates
from review.dossier.cause_words import cause_name, clue_words, for_and_against, telling_apart
from review.dossier.end import end_ms
from review.dossier.facts import Dossier
from review.dossier.figures import closest, pictures
from review.dossier.pen import Pen, likely
from review.dossier.report import document_number, report
from review.dossier.shelf import Busy, Shelf
from review.dossier.span import MOST_DAYS, USUAL_DAYS
from review.dossier.timeline import timeline
from review.dossier.unknown_words import LIMITS_OF_IT, method, not_known
from review.dossier.verdict import verdict
from review.entry_rules import UnknownTruck
from review.problems import Mistake

SIGNALS = ("fluid_temp_c", "ambient_temp_c", "speed_km_h")
DRAWN = frozenset({"hours", "heat", "days", "life", "bins"})

Answer = Callable[[Visit, sqlite3.Connection, Dossier], Response]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """A cause as the page lists it."""

    name: str
    first: str
    highest: str
    last: str
    speaks: Sequence[int]
    denies: Sequence[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reviews:
    """The pages' handlers, and the reviews made a moment ago."""

    shelf: Shelf

    def choose(self, visit: Visit) -> Response:
        """Offer the trucks worth a review, and any other with a day of one's own."""
        asked = visit.request.query_params
        if asked.get("truck"):
            return visit.go(_address(asked["truck"], {"until": asked.get("until", "")}))
        house = visit.house
        with house.store.read() as conn:
            found = candidates(conn)
        return visit.page(
            "reviews.html",
            title="After a failure",
            found=[(each, _why(visit, each)) for each in found],
            known=house.board.now().known,
            names=house.names,
        )

    def page(self, visit: Visit) -> Response:
        """Show a review."""
        return self._answered(visit, _page)

    def paper(self, visit: Visit) -> Response:
        """Give the report as PDF."""
        return self._answered(visit, _paper)

    def package(self, visit: Visit) -> Response:
        """Give the package of data."""
        return self._answered(visit, _package)

    def picture(self, visit: Visit) -> Response:
        """Give one of the pictures."""
        return self._answered(visit, _picture)

    def _answered(self, visit: Visit, answer: Answer) -> Response:
        truck = visit.request.path_params["truck"]
        asked = visit.request.query_params
        house = visit.house
        try:
            days = _days(asked.get("days", ""))
            with house.store.read() as conn:
                until_ms = end_ms(
                    conn, truck, asked.get("until", ""), house.units.zone, house.now_ms()
                )
                found = self.shelf.review(
                    conn, house.reader, truck, until_ms=until_ms, days=days
                )
                return answer(visit, conn, found)
        except Busy:
            return visit.problem(
                503,
                "Too many reviews at once",
                "Several are being made. Try again in a minute.",
            )
        except UnknownTruck as error:
            return visit.problem(404, "No such truck", f"{error}.")
        except Mistake as error:
            return visit.problem(422, f"No review of {truck}", f"{error}.")


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    reviews = _Reviews(shelf=Shelf())
    return (
        route(house, "/review", reviews.choose),
        route(house, "/review/{truck}", reviews.page),
        route(house, "/review/{truck}/report.pdf", reviews.paper),
        route(house, "/review/{truck}/package.zip", reviews.package),
        route(house, "/review/{truck}/{name}.png", reviews.picture),
    )


def _page(visit: Visit, conn: sqlite3.Connection, found: Dossier) -> Response:
    del conn
    pen, teller = Pen(visit.visitor.units), visit.teller
    return visit.page(
        "review.html",
        title=f"What came first: {found.vehicle}",
        found=found,
        pen=pen,
        said=verdict(found, pen),
        lines=timeline(found, pen, lambda alarm: teller.say(alarm).title),
        chart=_chart(visit, found),
        hours=closest(found),
        ranked=_ranked(found),
        clues=[clue_words(each, pen) for each in found.clues],
        no_causes=tables.no_causes(found),
        telling=telling_apart(found),
        duty=tables.duty_lines(found, pen),
        account=tables.account_rows(found, pen),
        excursions=tables.excursion_table(found, pen),
        levels=tables.level_table(found, pen),
        alarms=tables.alarm_table(found, pen, teller),
        record=tables.record_table(found, pen),
        what_if=tables.what_if_table(found, pen),
        what_if_lines=tables.what_if_lines(found, pen),
        unknown=list(not_known(found, pen)),
        method=list(method(found, pen)),
        limits_of_it=LIMITS_OF_IT,
        drawn=[each for each in pictures(found, pen) if each.name in ("bins", "life")],
        here=lambda name="": _address(found.vehicle, visit.request.query_params, name),
        until=visit.request.query_params.get("until", ""),
        days=visit.request.query_params.get("days", USUAL_DAYS),
        most_days=MOST_DAYS,
    )


def _chart(visit: Visit, found: Dossier) -> Chart | None:
    if len(found.readings.time_ms) < 2:
        return None
    first_ms, last_ms = closest(found)
    return chart_of(visit, found.vehicle, first_ms=first_ms, last_ms=last_ms, signals=SIGNALS)


def _paper(visit: Visit, conn: sqlite3.Connection, found: Dossier) -> Response:
    pen = Pen(visit.house.units, both=True)
    sha256 = packing.inputs_of(conn, found).sha256
    teller = visit.house.teller(visit.house.units)
    body = report(found, pen, teller, sha256)
    name = f"{document_number(found, sha256, pen)}.pdf"
    return _file(visit, body, name, "application/pdf")


def _package(visit: Visit, conn: sqlite3.Connection, found: Dossier) -> Response:
    pen = Pen(visit.house.units, both=True)
    made = packing.package(conn, found, pen, visit.house.teller(visit.house.units))
    name = f"{document_number(found, made.sha256, pen)}.zip"
    return _file(visit, made.body, name, "application/zip")


def _file(visit: Visit, body: bytes, name: str, kind: str) -> Response:
    """Hand out a file; that somebody took it is written down, as for anything that leaves the house."""
    with visit.house.store.write() as tx:
        visit.audit(tx, Deed.REVIEW_MADE, name)
    headers = {
        "Content-Disposition": f'attachment; filename="{name}"',
        "Cache-Control": "private, no-store",
    }
    return Response(body, media_type=kind, headers=headers)


def _picture(visit: Visit, conn: sqlite3.Connection, found: Dossier) -> Response:
    del conn
    name = visit.request.path_params["name"]
    drawn = [each for each in pictures(found, Pen(visit.visitor.units)) if each.name == name]
    if name not in DRAWN or not drawn:
        return visit.problem(404, "No such picture", "There is nothing to draw of that.")
    headers = {"Cache-Control": "private, no-store"}
    return Response(drawn[0].png(120), media_type="image/png", headers=headers)


def _ranked(found: Dossier) -> list[Ranked]:
    ranked = []
    for each in found.causes:
        speaks, denies = for_and_against(found, each.place)
        ranked.append(
            Ranked(
                name=cause_name(found, each.place),
                first=likely(each.first),
                highest=likely(each.highest),
                last=likely(each.last),
                speaks=speaks,
                denies=denies,
            )
        )
    return ranked


def _why(visit: Visit, each: Candidate) -> str:
    when = visit.say.full(each.at_ms)
    if each.alarm is None:
        return f"gearbox replaced {when}"
    return f"{_title(visit, each.alarm)}, {when}"


def _title(visit: Visit, alarm: Alarm) -> str:
    return visit.teller.say(alarm).title


def _address(truck: str, asked: object, name: str = "") -> str:
    """Give the address of a review, or of a file of it, with what was asked for."""
    kept = {
        key: value
        for key, value in dict(asked).items()  # type: ignore[call-overload]
        if key in ("until", "days") and value
    }
    path = f"/review/{quote(truck, safe='')}{f'/{name}' if name else ''}"
    return f"{path}?{urlencode(kept)}" if kept else path


def _days(text: str) -> int:
    if not text:
        return USUAL_DAYS
    if not (text.isascii() and text.isdigit()):
        raise Mistake(f"{text!r} is no number of days; ask for 1 to {MOST_DAYS}")
    return int(text[:4])
