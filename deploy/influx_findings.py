"""What ``heatbook check`` says of InfluxDB: whether it answers, lets us in, and has the buckets."""

from __future__ import annotations

import sqlite3
import ssl
from collections.abc import Iterator

from alerts.phrases import number_of
from deploy.broker_check import Finding
from deploy.database import StoreError, read_only
from deploy.influx_section import Influx
from deploy.settings import Loaded
from ingest import feed

_MENDS = {
    "away": "Start it, or see that this machine reaches it; until then nothing is lost",
    "settings": "Look at [influx]: url, org, token",
    "refused": "Look at [influx]: url must be that of an InfluxDB 2",
}


def influx_findings(loaded: Loaded) -> Iterator[Finding]:
    """Try the server of ``[influx]``, and say what waits for it."""
    influx = loaded.settings.influx
    if influx is None:
        return
    if (bad := _authority(influx)) is not None:  # the server cannot be spoken to without it
        yield bad
    else:
        yield from _server(influx, archive=loaded.settings.archive.kind == "influx")
    try:
        with read_only(loaded.settings.store.path) as conn:
            yield from _fed(conn)
    except (StoreError, sqlite3.Error):
        return  # said where the store is looked at


def _authority(influx: Influx) -> Finding | None:
    """Say what is wrong with the file of the authority that the server's certificate is from."""
    if influx.ca_file is None:
        return None
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(influx.ca_file)
    except ssl.SSLError as error:
        reason = f"holds no certificate in PEM form ({error.reason or error})"
    except OSError as error:
        reason = f"cannot be read ({error.strerror or error})"
    else:
        return None
    return Finding(
        level="fault",
        what=f"influx.ca_file: {influx.ca_file} {reason}",
        mend="Name the certificate of the authority that signed the server's, as a file that this user can "
        "read; or take the key out, if it is one that this machine trusts",
    )


def _server(influx: Influx, *, archive: bool) -> Iterator[Finding]:
    from ingest.influx_session import Session, Trouble  # noqa: PLC0415 - slow, and rarely needed

    session = Session(influx.access())
    try:
        for bucket, keep_s in influx.buckets(archive=archive).items():
            kept_s = session.keep_s(bucket)
            if kept_s is not None:
                session.try_out(bucket)
            yield _bucket(influx, bucket, keep_s, kept_s)
    except Trouble as trouble:
        what = f"InfluxDB at {influx.url}: {trouble.reason}"
        yield Finding(level="fault", what=what, mend=_MENDS[trouble.kind])
    finally:
        session.close()


def _bucket(influx: Influx, bucket: str, wanted_s: int, kept_s: int | None) -> Finding:
    place = f"InfluxDB at {influx.url}: bucket {bucket}"
    if kept_s is None:
        return Finding(
            level="caution" if influx.set_up else "fault",
            what=f"{place} is not there, or the token does not see it",
            mend="The daemon makes it, if its token may; 'heatbook influx set-up' does so now",
        )
    if kept_s != wanted_s:
        return Finding(
            level="caution",
            what=f"{place} keeps points {_span(kept_s)}, the settings say {_span(wanted_s)}",
            mend="'heatbook influx set-up' changes it; what is older goes then",
        )
    return Finding(level="good", what=f"{place} keeps points {_span(kept_s)}")


def _span(keep_s: int) -> str:
    return "for ever" if keep_s == 0 else f"{keep_s / 86_400:g} days"


def _fed(conn: sqlite3.Connection) -> Iterator[Finding]:
    if conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'feed'").fetchone() is None:
        return  # from before there was a feed; the daemon adds it at its next start
    state = feed.state(conn)
    if state is None:
        return
    if state.refused:
        yield Finding(
            level="caution",
            what=f"InfluxDB has refused {number_of(state.refused, 'line')} for good",
            mend="See 'heatbook influx refused'",
        )
    if state.rows_waiting:
        rows = number_of(state.rows_waiting, "row")
        yield Finding(level="good", what=f"{rows} of the journal wait to go on to InfluxDB")
