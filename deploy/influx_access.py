"""Letting a process into the server of ``[influx]``: the one place where the token leaves the settings.

The store says where its archive is and never how to get in. All that reads history has a store and nothing
else, so each process says once, when it has read its settings, how an archive in InfluxDB is opened.
"""

from __future__ import annotations

import atexit
import sqlite3
from functools import cache
from typing import TYPE_CHECKING

from deploy.influx_section import Influx
from deploy.settings import Settings
from ingest.archive import Archive
from ingest.sealed import INFLUX, opens, place

if TYPE_CHECKING:
    from deploy.influx_patience import Patience
    from ingest.influx_session import Session


def let_in(settings: Settings) -> None:
    """Let this process read and write an archive that lies in the server of these settings."""
    influx = settings.influx
    if influx is not None:
        opens(INFLUX, lambda _: archive_in(influx))


def place_archive(tx: sqlite3.Connection, settings: Settings) -> None:
    """Let the store know where its archive is.

    Raises
    ------
    ArchiveError
        Months lie in an archive of another kind.
    """
    if settings.influx is not None and settings.archive.kind == INFLUX:
        place(tx, settings.influx.archive_place, kind=INFLUX)
    else:
        place(tx, str(settings.archive.folder))


def archive_in(influx: Influx) -> Archive:
    """Give the archive in a server, whether the store goes by it or not yet."""
    from deploy.influx_patience import PatientArchive  # noqa: PLC0415 - slow, and rarely needed

    return PatientArchive(_session(influx), influx.archive_bucket, _patience(influx))


@cache
def _patience(_influx: Influx) -> Patience:
    """Give what all of a process know of one server."""
    from deploy.influx_patience import Patience  # noqa: PLC0415 - slow, and rarely needed

    return Patience()


@cache
def _session(influx: Influx) -> Session:
    """Give one session a process: it keeps its connections open."""
    from ingest.influx_session import Session  # noqa: PLC0415 - slow, and rarely needed

    session = Session(influx.access())
    atexit.register(session.close)
    return session
