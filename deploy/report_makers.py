"""Reports put together: who reads them, what they are made from, and when they are due."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from apscheduler.triggers.cron import CronTrigger

from alerts import digest as alarms_digest
from alerts import ledger
from alerts.notice import Picture
from alerts.policy import Policy
from alerts.teller import Teller
from deploy import digest, week
from deploy.courses import reader_of
from deploy.digest import Limits, Morning, report_text
from deploy.report_section import Reports
from deploy.reporter import Asked, Make, Post
from deploy.schedule import wall_clock
from deploy.settings import Settings
from deploy.truck_week import TruckWeek, truck_week
from deploy.week import Week
from models.fleet import Fleet
from models.units import Units
from review.fleet_look import stored_trucks, truck_now
from review.kinds import WORDS
from review.reading import Reader
from review.store import Clock, Readable
from review.titles import Titles

DIGEST, WEEK = "digest", "week"
_DAY_MS = 86_400_000
_MAIL = "smtp"


def report_times(reports: Reports) -> Iterator[tuple[str, CronTrigger, int]]:
    """Give each report that is wanted: its name, when it is due, of how long a span the first tells [ms]."""
    if reports.digest != "off":
        at = reports.digest_at
        yield DIGEST, wall_clock(hour=at.hour, minute=at.minute), _DAY_MS
    if reports.week:
        at = reports.week_at
        trigger = wall_clock(day_of_week=reports.week_on, hour=at.hour, minute=at.minute)
        yield WEEK, trigger, 7 * _DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Makers:
    """Makes reports from a store."""

    settings: Settings
    fleet: Fleet
    database: Readable
    policy: Policy
    now_ms: Clock

    def by_name(self) -> dict[str, Make]:
        """Give what makes each report."""
        return {DIGEST: self.digest, WEEK: self.week}

    def digest(self, asked: Asked) -> Sequence[Post]:
        """Make the digest for each of its readers."""
        readers = self._readers(DIGEST)
        if not readers:
            return ()
        found = self.morning(asked)
        quiet = self.settings.reports.digest == "news"
        return [
            (place, report_text(_named(asked), digest.report(found, teller)))
            for place, teller in readers
            if not quiet or digest.has_news(found, teller)
        ]

    def week(self, asked: Asked) -> Sequence[Post]:
        """Make the summary of the week for each of its readers."""
        readers = self._readers(WEEK)
        if not readers:
            return ()
        found = self.span(asked)
        posts: list[Post] = []
        for place, teller in readers:
            drawn = draw(found, teller)
            text = report_text(_named(asked), week.report(found, teller, drawn))
            posts.append((place, replace(text, pictures=tuple(drawn))))
        return posts

    def morning(self, asked: Asked) -> Morning:
        """Read what a digest is made from."""
        reader = self._reader(asked)
        with self.database.read() as conn:
            alarms = alarms_digest.gather(conn, since_ms=asked.since_ms, now_ms=asked.until_ms)
        trucks = [
            truck_now(each, asked.until_ms) for each in stored_trucks(self.database, reader)
        ]
        reports = self.settings.reports
        limits = Limits(
            services_ms=round(reports.services_days * _DAY_MS),
            unheard_ms=round(reports.unheard_days * _DAY_MS),
        )
        return Morning(now_ms=asked.until_ms, alarms=alarms, trucks=trucks, limits=limits)

    def span(self, asked: Asked) -> Week:
        """Read what the summary of a span is made from."""
        reader = self._reader(asked)
        now, found = [], list[TruckWeek]()
        for stored in stored_trucks(self.database, reader):
            now.append(truck_now(stored, asked.until_ms))
            with self.database.read() as conn:
                own = truck_week(
                    conn,
                    stored,
                    since_ms=asked.since_ms,
                    until_ms=asked.until_ms,
                    max_gap_s=self.settings.models.max_gap_s,
                    zone=self.settings.fleet.zone,
                )
            found += [own] if own is not None else []
        with self.database.read() as conn:
            raised = ledger.find(
                conn,
                "raised_ms >= ? AND raised_ms < ? AND NOT withdrawn",
                (asked.since_ms, asked.until_ms),
            )
        return Week(
            since_ms=asked.since_ms,
            until_ms=asked.until_ms,
            trucks=found,
            now=now,
            alarms=raised,
            services_ms=round(self.settings.reports.services_days * _DAY_MS),
        )

    def teller(self, units: Units | None = None) -> Teller:
        """Give how a reader is told; without units of their own in the fleet's."""
        zone = self.settings.fleet.zone
        own = self.settings.fleet.units.units(zone) if units is None else units
        return Teller(words=WORDS, units=own, names=Titles(self.fleet, self.database))

    def _reader(self, asked: Asked) -> Reader:
        own = reader_of(self.settings, self.fleet)
        return replace(own, now_ms=lambda: asked.until_ms)

    def _readers(self, name: str) -> list[tuple[str, Teller]]:
        """Give the destinations of a report, each with how its reader is told."""
        plan = self.policy.plan
        if plan is None:
            smtp = self.settings.alerts.smtp
            return [(_MAIL, self.teller())] if smtp and smtp.recipients else []
        return [
            (_place(person.destinations), self.teller(person.units))
            for person in plan.people.values()
            if name in person.reads and person.destinations
        ]


def draw(found: Week, teller: Teller) -> list[Picture]:
    """Draw the pictures of a week's summary, in a reader's units."""
    # Only who asks for a picture waits for the library that draws it.
    from deploy.week_pictures import pictures  # noqa: PLC0415

    return pictures(found, teller.units, teller.names)


def _place(destinations: Sequence[str]) -> str:
    """Choose by what way somebody reads: by mail, where they have one."""
    mail = (each for each in destinations if each.startswith(f"{_MAIL}/"))
    return next(mail, destinations[0])


def _named(asked: Asked) -> str:
    return f"{asked.name}:{asked.until_ms}"
