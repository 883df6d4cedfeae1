"""What ``heatbook check`` says of the machine: room, clock, certificates, archive, backups; health, log.

By the same conditions as the daemon's own alarms, so that both say the same.
"""

from __future__ import annotations

import http.client
import os
import socket
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path

from alerts.own.conditions import CONDITIONS
from alerts.own.facts import Facts
from alerts.phrases import size_words
from deploy.broker_check import Finding, Level
from deploy.clock import wall_ms
from deploy.database import StoreError, read_only
from deploy.disk_room import free_bytes
from deploy.no_port import mend_no_port, why_no_port
from deploy.observe_sections import Health
from deploy.own_sources import (
    backup_limit,
    certificates_of,
    expiries,
    failing_archives,
    folders_of,
    newest_backup,
)
from deploy.settings import Loaded, Settings
from deploy.web.section import loopback
from models.transition import Priority
from models.units import METRIC, rfc3339

TIMEOUT_S = 2.0
"""How long whoever has the port may take to say who they are [s]."""


def own_findings(loaded: Loaded) -> Iterator[Finding]:
    """Look at the machine as the daemon would, and at what tells of it."""
    settings = loaded.settings
    folders = {name: _there(folder) for name, folder in folders_of(settings).items()}
    yield from _writable(folders)
    facts = facts_of(settings, folders)
    for name, free in facts.free_bytes.items():
        yield Finding(level="good", what=f"room: {size_words(free)} left for the {name}")
    yield Finding(level="good", what=f"clock: reads {rfc3339(facts.now_ms)}")
    limits = settings.watch.limits(backup_limit(settings))
    for condition in CONDITIONS:
        found = condition.find(facts, limits, standing=False)
        if found is not None:
            said = condition.words(found.evidence, METRIC)
            level: Level = "fault" if found.priority >= Priority.HIGH else "caution"
            what = f"{said.title}: {said.observed}"
            yield Finding(level=level, what=what, mend=said.action)
    yield from _health(settings)
    yield _log(settings)


def facts_of(settings: Settings, folders: Mapping[str, Path]) -> Facts:
    """Gather what can be seen without a daemon; a store that cannot be read is told of elsewhere."""
    now_ms = wall_ms()
    facts = Facts(
        now_ms=now_ms,
        free_bytes=free_bytes(folders),
        expiries=expiries(certificates_of(settings)),
        backup_ms=now_ms,
    )
    try:
        with read_only(settings.store.path) as conn:
            (newest_ms,) = conn.execute(
                "SELECT max(committed_ms) FROM source_position"
            ).fetchone()
            made_up = settings.clock.start is not None
            return Facts(
                now_ms=now_ms,
                free_bytes=facts.free_bytes,
                behind_ms=0 if made_up else max(0, (newest_ms or 0) - now_ms),
                archives=failing_archives(conn, fed=settings.influx is not None),
                expiries=facts.expiries,
                backup_ms=newest_backup(conn),
            )
    except (StoreError, sqlite3.Error):
        return facts


def _there(folder: Path) -> Path:
    """Give the folder, or what it would be made in."""
    return next(each for each in (folder, *folder.parents) if each.exists())


def _writable(folders: Mapping[str, Path]) -> Iterator[Finding]:
    for name, folder in folders.items():
        if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
            yield Finding(
                level="fault",
                what=f"{folder}, for the {name}, cannot be written by this user",
                mend="Give it to the user that runs Heatbook, or name another folder",
            )


def _health(settings: Settings) -> Iterator[Finding]:
    health = settings.health
    if health is None:
        yield Finding(
            level="good",
            what="no health server: nothing tells machines how it does; [health] does",
        )
        return
    where = f"health: {health.bind} port {health.port}"
    web = settings.web
    if web is not None and (web.bind, web.port) == (health.bind, health.port):
        mend = "Give one of them another port"
        yield Finding(level="fault", what=f"{where} is that of [web] too", mend=mend)
        return
    yield _port(health, where)
    if not loopback(health.bind):
        yield Finding(
            level="caution",
            what=f"{where}: whoever reaches it can read the figures, without a password",
            mend='Bind it to "127.0.0.1", or keep the network closed',
        )


def _port(health: Health, where: str) -> Finding:
    try:
        family = socket.AF_INET6 if ":" in health.bind else socket.AF_INET
        socket.create_server((health.bind, health.port), family=family).close()
    except OSError as error:
        if _is_ours(health):
            return Finding(level="good", what=f"{where}: the daemon answers there")
        what = f"{where}: {why_no_port(error)}"
        return Finding(level="fault", what=what, mend=mend_no_port(error))
    return Finding(level="good", what=f"{where} is free")


def _is_ours(health: Health) -> bool:
    try:
        with closing(
            http.client.HTTPConnection(health.bind, health.port, timeout=TIMEOUT_S)
        ) as conn:
            conn.request("GET", "/livez")
            return conn.getresponse().getheader("Server") == "heatbook"
    except (OSError, http.client.HTTPException):
        return False


def _log(settings: Settings) -> Finding:
    log = settings.log
    form = {"auto": "lines on a terminal, else JSON"}.get(log.form, log.form)
    if log.level == "error":
        return Finding(
            level="caution",
            what=f"log: {form}; only errors are written, no notice and no change",
            mend='Set [log] level = "info"',
        )
    return Finding(level="good", what=f"log: {form}; from {log.level} on")
