"""What runs beside the daemon in threads of its own: a line for each."""

from __future__ import annotations

from dataclasses import replace
from secrets import token_bytes

from alerts.links import KEY_BYTES, ensure_key
from alerts.policy import Policy
from deploy.around import Around
from deploy.companion import Companion
from deploy.courses import reader_of
from deploy.database import Database
from deploy.history_keeper import history_keeper
from deploy.report_makers import Makers
from deploy.reporter import Reporter
from deploy.service_calendar import CALENDAR, ServiceCalendar, looking
from deploy.settings import Settings
from models.fleet import Fleet
from review.store import Clock
from review.titles import Titles


def companions_of(
    settings: Settings,
    fleet: Fleet,
    database: Database,
    policy: Policy,
    now_ms: Clock,
    around: Around | None = None,
) -> tuple[Companion, ...]:
    """Give what runs beside the daemon; a store that has no key for links gets its first."""
    with database.write() as tx:
        ensure_key(tx, token_bytes(KEY_BYTES), now_ms())
    makers = Makers(
        settings=settings,
        fleet=fleet,
        database=database,
        policy=policy,
        now_ms=now_ms,
    )
    calendar = ServiceCalendar(
        database=database,
        reader=replace(reader_of(settings, fleet), now_ms=now_ms),
        units=settings.fleet.units.units(settings.fleet.zone),
        names=Titles(fleet, database),
    )
    made = {**makers.by_name(), CALENDAR: looking(calendar)}
    companions: list[Companion] = [
        Reporter(database, made, now_ms=now_ms),
        history_keeper(settings, fleet, database, now_ms),
    ]
    if settings.influx is not None:
        from deploy.influx_feeder import feeder  # noqa: PLC0415 - slow, for who has no InfluxDB in vain

        companions.append(feeder(settings, database, now_ms))
    if settings.web is not None:
        from deploy.web.door import door  # noqa: PLC0415 - seconds, for who has no web server in vain

        companions += door(
            settings, settings.web, database, policy, calendar, around or Around()
        )
    return tuple(companions)
