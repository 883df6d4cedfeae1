"""The calendar of a store's service dates: looked at once a day and after each entry, then only read."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from uuid import uuid4

from alerts.phrases import plain
from alerts.watch import EVERYBODY
from deploy import service_events
from deploy.calendar_feed import Feed, feed
from deploy.database import Database
from deploy.reporter import Asked, Make, Post
from deploy.service_events import ServiceEvent
from models.units import Units
from review.entry_rules import known_trucks
from review.reading import Reader
from review.standing import due_now

CALENDAR = "calendar"
"""What the daily look at all dates is asked for as."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceCalendar:
    """Gives the calendar of one truck or of all; one look at a time."""

    database: Database
    reader: Reader
    units: Units
    names: Mapping[str, str]
    looking: threading.Lock = field(default_factory=threading.Lock)

    def feed(self, scope: str) -> Feed | None:
        """Write the calendar of a truck, or of ``EVERYBODY``; None: no such truck."""
        with self.looking:
            known = self._look(scope)
        if scope != EVERYBODY and scope not in known:
            return None
        with self.database.read() as conn:
            held = service_events.events(conn)
        shown = [
            each
            for each in held
            if each.vehicle in known and scope in (EVERYBODY, each.vehicle)
        ]
        title = "Service dates"
        if scope != EVERYBODY:
            title += f": {plain(scope)} {plain(self.names.get(scope, ''))}".rstrip()
        return feed(shown, title=title, units=self.units, names=self.names)

    def _look(self, scope: str) -> set[str]:
        """Look at the dates that are to be looked at; give the trucks that are known."""
        now_ms = self.reader.now_ms()
        with self.database.read() as conn:
            known = set(known_trucks(conn, self.reader.fleet))
            wanted = sorted(known if scope == EVERYBODY else known & {scope})
            stale = service_events.to_look_at(conn, wanted, now_ms, self.units.zone)
            held = {event.vehicle: event for event in service_events.events(conn)}
        looked = [
            found
            for name in stale
            if (found := self._event(name, held.get(name), now_ms)) is not None
        ]
        if looked:
            with self.database.write() as tx:
                for event in looked:
                    service_events.save(tx, event)
        return known

    def _event(self, name: str, held: ServiceEvent | None, now_ms: int) -> ServiceEvent | None:
        """Look at the date of one truck; None while it has no account that holds."""
        with self.database.read() as conn:
            stored = self.reader.truck(conn, name)
        if stored.state is None:
            return None
        return service_events.follow(
            held,
            name,
            due_now(stored, now_ms),
            services=int(stored.account.filling.services),
            now_ms=now_ms,
            zone=self.units.zone,
            new_id=lambda: f"urn:uuid:{uuid4()}",
        )


def looking(calendar: ServiceCalendar) -> Make:
    """Give what looks at all dates once a day, so that no reader has to wait for it."""

    def look(asked: Asked) -> Sequence[Post]:
        del asked
        calendar.feed(EVERYBODY)
        return ()

    return look
