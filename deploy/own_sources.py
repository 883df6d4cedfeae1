"""What Heatbook's look at itself rests on, from the settings: folders, certificates, archives, backups."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from functools import partial
from pathlib import Path

from alerts.own.facts import Failing
from alerts.policy import Policy
from deploy.backup.told import last_backup
from deploy.clock import monotonic_ms, wall_ms
from deploy.history_keeper import last_move
from deploy.own_look import OwnLook, Sources
from deploy.settings import Settings
from ingest import feed
from ingest.certificate import BadCertificate, ends_ms
from review.store import Clock

HISTORY = "history"
"""What the move of old months is called in an alarm."""

FEED = "InfluxDB"
"""What the feeding of InfluxDB is called in an alarm."""

_HOUR_MS = 3_600_000


def folders_of(settings: Settings) -> dict[str, Path]:
    """Name the folders where files grow."""
    store = settings.store.path.absolute().parent
    return {"store": store, "archive": store / settings.archive.folder}


def certificates_of(settings: Settings) -> dict[str, Path]:
    """Name the files of certificates that the connection to the broker rests on."""
    tls = settings.mqtt.tls
    if tls is None:
        return {}
    named = {"mqtt.tls.ca_file": tls.ca_file, "mqtt.tls.cert_file": tls.cert_file}
    return {name: file for name, file in named.items() if file is not None}


def expiries(files: Mapping[str, Path]) -> dict[str, int]:
    """Give when each certificate ends [Unix ms]; one that cannot be read is for the connection to say."""
    found: dict[str, int] = {}
    for name, file in files.items():
        try:
            found[name] = ends_ms(file)
        except (BadCertificate, OSError):
            continue
    return found


def failing_archives(conn: sqlite3.Connection, *, fed: bool) -> dict[str, Failing]:
    """Give the archives that fail: a move that left something undone, a server that takes nothing.

    ``fed``: whether InfluxDB is to be fed.
    """
    found: dict[str, Failing] = {}
    move = last_move(conn)
    if move is not None and (move.done_ms is None or move.problems):
        found[HISTORY] = Failing(since_ms=move.asked_ms)
    state = feed.state(conn) if fed else None
    if state is not None and state.trouble and state.trouble_since_ms is not None:
        person = state.trouble == "settings"
        found[FEED] = Failing(since_ms=state.trouble_since_ms, for_good=person)
    return found


def newest_backup(conn: sqlite3.Connection) -> int | None:
    """Give the moment that the newest backup holds [Unix ms]."""
    made = last_backup(conn)
    return made.as_of_ms if made else None


def backup_limit(settings: Settings) -> int | None:
    """Give how old the newest backup may be [ms]; None where no backups are made by us."""
    section = settings.backup
    if section.folder is None or section.warn_after_hours is None:
        return None
    return round(section.warn_after_hours * _HOUR_MS)


def own_look(settings: Settings, policy: Policy, now_ms: Clock) -> OwnLook:
    """Give the look by the settings; where time is made up the system's clock is nobody's business."""
    sources = Sources(
        now_ms=now_ms,
        uptime_ms=monotonic_ms,
        wall_ms=wall_ms if settings.clock.start is None else None,
        folders=folders_of(settings),
        archives=partial(failing_archives, fed=settings.influx is not None),
        backup=newest_backup,
        expiries=partial(expiries, certificates_of(settings)),
    )
    return OwnLook(sources, settings.watch.limits(backup_limit(settings)), policy)
