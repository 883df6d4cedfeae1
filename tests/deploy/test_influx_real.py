"""The feed, buckets, sums, retention, erasure and the move of history against a real InfluxDB 2."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import SecretStr

from deploy.archive_section import ArchiveSection
from deploy.influx_access import let_in
from deploy.influx_section import Influx
from deploy.influx_take_over import take_over
from deploy.settings import Settings
from ingest import feed, journal, sealed
from ingest.archive import ArchiveError, Month
from ingest.influx_archive import InfluxArchive
from ingest.influx_session import Access, Session, Trouble
from ingest.influx_sums import rollup_of
from ingest.influx_tables import Found, flux, found
from ingest.rollup import HOUR_MS, between, rollup
from models.sample import SIGNAL_NAMES
from tests.deploy.fed import MAX_GAP_MS, Fed, by_access
from tests.deploy.moved import hot_rows, move
from tests.influx import bucket, narrow_token, need_influx
from tests.recorded import NOON_MS, climb, records, same_bytes

DAY_MS = 86_400_000


@pytest.fixture
def influx() -> Iterator[Influx]:
    with bucket() as (session, name):
        made = by_access(session.access, name, archive_bucket=f"{name}-archive")
        session.drop_bucket(name)  # the feeder makes its own
        yield made
        for each in (name, made.sums_bucket, made.archive_bucket):
            session.drop_bucket(each)


@pytest.fixture
def fed(influx: Influx, tmp_path: Path) -> Iterator[Fed]:
    made = Fed(tmp_path, influx)
    yield made
    made.close()


def _points(influx: Influx, name: str, measurement: str, vehicle: str) -> Found:
    session = Session(influx.access())
    tags = {"_measurement": measurement, "vehicle": vehicle}
    try:
        return found(session.query(flux(name, first_ms=0, end_ms=2**42, tags=tags)))
    finally:
        session.close()


def test_what_is_stored_is_read_there_with_every_value(fed: Fed, influx: Influx) -> None:
    samples = climb(400)
    fed.store("NF-01", samples[:399])
    fed.store("NF-01", samples[399:])
    fed.store("NF-01", samples[:10])  # the same again
    state = fed.drain()
    assert (state.trouble, state.rows_waiting, state.refused) == ("", 0, 0)
    points = _points(influx, influx.bucket, "samples", "NF-01")
    expected = records(samples)
    np.testing.assert_array_equal(points.times_ms, expected["time_ms"])
    for name in SIGNAL_NAMES:
        np.testing.assert_array_equal(points.column(name), expected[name])


def test_sums_there_are_those_of_the_store(fed: Fed, influx: Influx) -> None:
    samples = climb(900)
    fed.store("NF-01", samples)
    fed.now_ms = NOON_MS + 20 * HOUR_MS
    fed.drain()
    points = _points(influx, influx.sums_bucket, "hours", "NF-01")
    made = rollup_of(points, HOUR_MS, ("fluid_temp_c",))
    expected = rollup(records(samples), step_ms=HOUR_MS, max_gap_ms=MAX_GAP_MS)
    np.testing.assert_array_equal(made.start_ms, expected.start_ms)
    np.testing.assert_array_equal(made.samples, expected.samples)
    np.testing.assert_allclose(made.bands_s, expected.bands_s, rtol=1e-12, atol=1e-9)
    for what in ("low", "mean", "high", "count"):
        one, other = (getattr(each.signals["fluid_temp_c"], what) for each in (made, expected))
        np.testing.assert_array_equal(one, other)


def test_a_line_of_another_type_is_found_and_the_others_arrive(
    fed: Fed, influx: Influx
) -> None:
    """2.7.11 answers a conflict of types now with 422, now with 500: both end the same."""
    assert not fed.feeder.once()  # makes the buckets
    session = Session(influx.access())
    day_ms = NOON_MS // DAY_MS * DAY_MS
    session.write(influx.bucket, f'samples,vehicle=NF-09 gear="third" {day_ms}'.encode())
    session.close()
    samples = climb(20)
    samples = [{key: each[key] for key in each if key != "gear"} for each in samples]
    samples[7] = {**samples[7], "gear": 3.0}
    fed.store("NF-01", samples)
    state = fed.drain()
    assert (state.refused, state.rows_waiting, state.trouble) == (1, 0, "")
    with fed.database.read() as conn:
        (refused,) = feed.refused(conn)
    assert refused.time_ms == samples[7]["time_ms"]
    assert "field type conflict" in refused.reason
    assert len(_points(influx, influx.bucket, "samples", "NF-01").times_ms) == 19


def test_what_is_beyond_the_retention_is_no_refused_line(fed: Fed, influx: Influx) -> None:
    """The bucket keeps a day by itself; the settings believe that it keeps points for ever."""
    session = Session(influx.access())
    session.make_bucket(influx.bucket, 86_400)
    session.close()
    now_ms = round(time.time() * 1000)
    fed.influx = influx.model_copy(update={"set_up": False})
    fed.now_ms = now_ms
    fed.again()
    fed.store("NF-01", climb(10, start_ms=now_ms - 5 * DAY_MS))
    fed.store("NF-01", climb(10, start_ms=now_ms - HOUR_MS))
    state = fed.drain() if fed.feeder.once() else fed.state
    assert (state.refused, state.rows_waiting) == (0, 0)
    assert (state.points, state.expired) == (10, 10)
    assert len(_points(influx, influx.bucket, "samples", "NF-01").times_ms) == 10


def test_buckets_are_made_once_and_their_retention_may_be_changed(influx: Influx) -> None:
    session = Session(influx.access())
    assert session.keep_s(influx.bucket) is None
    session.make_bucket(influx.bucket, 30 * 86_400)
    assert session.keep_s(influx.bucket) == 30 * 86_400
    session.keep_for(influx.bucket, 90 * 86_400)
    assert session.keep_s(influx.bucket) == 90 * 86_400
    session.try_out(influx.bucket)
    session.close()


def test_an_erased_truck_is_gone_there_and_the_others_stay(fed: Fed, influx: Influx) -> None:
    fed.store("NF-01", climb(10))
    fed.store("NF-02", climb(10))
    fed.drain()
    with fed.database.write() as tx:
        feed.erase(tx, vehicle_id=fed.trucks["NF-01"], vehicle="NF-01")
        tx.execute("DELETE FROM journal WHERE vehicle_id = ?", (fed.trucks["NF-01"],))
    assert fed.drain().erasures_waiting == 0
    assert len(_points(influx, influx.bucket, "samples", "NF-01").times_ms) == 0
    assert len(_points(influx, influx.bucket, "samples", "NF-02").times_ms) == 10


@pytest.mark.parametrize(
    ("change", "kind"),
    [({"token": "wrong"}, "settings"), ({"org": "nobody"}, "settings"), ({}, "settings")],
)
def test_a_wrong_token_organisation_or_bucket_is_told_as_settings(
    change: dict[str, Any], kind: str
) -> None:
    access = need_influx()
    changed = replace(access, **change)
    session = Session(changed)
    with pytest.raises(Trouble) as told:
        session.write("no-such-bucket", b"samples gear=1.0 1")
    assert told.value.kind == kind
    assert changed.token not in told.value.reason
    session.close()


def test_history_moves_there_and_is_read_as_from_the_store(fed: Fed, influx: Influx) -> None:
    settings = Settings(influx=influx, archive=ArchiveSection(kind="influx"))
    let_in(settings)
    session = Session(influx.access())
    session.make_bucket(influx.archive_bucket, 0)
    samples = [*climb(300), *climb(300, start_ms=NOON_MS + 3 * DAY_MS)]
    fed.store("NF-01", samples)
    moved = move(fed.database, now_ms=NOON_MS + 100 * DAY_MS, kind="influx")
    assert (moved.months, moved.problems, hot_rows(fed.database)) == (1, [], 0)
    with fed.database.read() as conn:
        truck = fed.trucks["NF-01"]
        whole = journal.read(conn, vehicle_id=truck, first_ms=0, last_ms=2**42)
        assert same_bytes(whole, records(samples))
        assert influx.token.get_secret_value() not in "".join(conn.iterdump())
    with pytest.raises(ArchiveError, match="another store"):
        InfluxArchive(session, influx.archive_bucket).claim("another")
    session.close()


def test_parquet_files_are_taken_over_and_count_there(fed: Fed, influx: Influx) -> None:
    session = Session(influx.access())
    session.make_bucket(influx.archive_bucket, 0)
    samples = climb(300)
    fed.store("NF-01", samples)
    moved = move(fed.database, now_ms=NOON_MS + 100 * DAY_MS)
    assert moved.months == 1
    with (
        pytest.raises(ArchiveError, match=r"1 months .* of the kind 'parquet'"),
        fed.database.write() as tx,
    ):
        sealed.place(tx, influx.archive_place, kind="influx")
    let_in(Settings(influx=influx))
    assert take_over(fed.database, influx) == 1
    with fed.database.write() as tx:
        sealed.place(tx, influx.archive_place, kind="influx")  # as the daemon does, and may now
    with fed.database.read() as conn:
        archive = sealed.archive_of(conn)
        (one,) = sealed.months(conn, vehicle_id=fed.trucks["NF-01"])
        assert list(archive.names()) == [one.name]
        month = Month.parse(one.month)
        hours = archive.rollup(one.name, HOUR_MS, ("fluid_temp_c",))
        assert hours is not None
        made = rollup(records(samples), step_ms=HOUR_MS, max_gap_ms=MAX_GAP_MS)
        expected = between(made, month.first_ms, month.end_ms)
        np.testing.assert_array_equal(hours.bands_s, expected.bands_s)
        whole = journal.read(conn, vehicle_id=fed.trucks["NF-01"], first_ms=0, last_ms=2**42)
        assert same_bytes(whole, records(samples))
    session.close()


def test_a_narrow_token_is_enough_when_the_buckets_are_there() -> None:
    """A token that may only read and write two buckets, as the documentation advises."""
    access = need_influx()
    with bucket() as (session, name):
        token = narrow_token(session.access, name)
        narrow = Session(Access(url=access.url, org=access.org, token=token, timeout_s=60.0))
        narrow.try_out(name)
        narrow.write(name, b"samples,vehicle=NF-01 gear=1.0 1")
        assert narrow.keep_s(name) == 0
        with pytest.raises(Trouble) as told:
            narrow.make_bucket(f"{name}-other", 0)
        assert told.value.kind == "settings"
        narrow.close()


def test_the_secret_of_the_settings_is_not_shown(influx: Influx) -> None:
    shown = f"{influx!r} {influx.place} {influx.archive_place}"
    assert influx.token.get_secret_value() not in shown
    assert isinstance(influx.token, SecretStr)
