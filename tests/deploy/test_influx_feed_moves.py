"""What the feed sends when samples move about in the store: late, gathered, sealed, erased, summed up."""

from __future__ import annotations

import socket
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import feed, sealed, sealing
from ingest.archive import Archive, Month
from ingest.influx_archive import InfluxArchive
from ingest.influx_session import Session
from ingest.parquet_archive import ParquetArchive
from tests.deploy.fed import MAX_GAP_MS, Fed, section
from tests.influx_stub import Stub, problem, stub
from tests.recorded import HOUR_MS, NOON_MS, climb

DAY_MS = 86_400_000


def test_of_two_values_for_one_time_the_one_that_is_read_arrives(fed: Fed, far: Stub) -> None:
    """``ingest/merge.py``: the greater wins; a server keeps what it is told last."""
    at = NOON_MS + 5_000
    fed.store("NF-01", [{"time_ms": at, "fluid_temp_c": 95.0}])
    fed.store("NF-01", [{"time_ms": at, "fluid_temp_c": 90.0, "gear": 3.0}])
    fed.drain()
    assert far.points["heatbook", "samples,vehicle=NF-01", at] == {
        "fluid_temp_c": "95.0",
        "gear": "3.0",
    }


def test_a_gathered_day_is_not_sent_again_and_one_that_was_not_sent_is(
    fed: Fed, far: Stub
) -> None:
    samples = climb(40)
    for each in samples:
        fed.store("NF-01", [each])
    fed.drain()
    for each in climb(40, start_ms=NOON_MS + HOUR_MS):
        fed.store("NF-02", [each])
    day_ms = NOON_MS // DAY_MS * DAY_MS
    sent = len(far.requests)
    with fed.database.write() as tx:
        sealing.gather(tx, vehicle_id=fed.trucks["NF-01"], day_ms=day_ms)
        sealing.gather(tx, vehicle_id=fed.trucks["NF-02"], day_ms=day_ms)
    state = fed.drain()
    assert (state.points, state.rows_waiting) == (80, 0)
    again = [line for lines in far.requests[sent:] for line in lines if "samples" in line]
    assert {line.split()[0] for line in again if line.startswith("samples")} == {
        "samples,vehicle=NF-02"
    }


def test_rows_that_went_leave_no_number_to_a_new_row(fed: Fed, far: Stub) -> None:
    first = [fed.store("NF-01", [each]) for each in climb(10)]
    fed.drain()
    with fed.database.write() as tx:
        tx.execute("DELETE FROM journal")
    later = fed.store("NF-01", climb(5, start_ms=NOON_MS + HOUR_MS))
    assert later > max(first)
    assert fed.drain().points == 15
    assert len(far.vehicles()) == 15


def test_a_month_that_is_sealed_before_it_was_sent_is_sent_from_the_archive(
    fed: Fed, far: Stub
) -> None:
    far.answers.append(problem(503, "overloaded"))
    month = Month(2026, 1)
    samples = [*climb(30), *climb(30, start_ms=NOON_MS + 3 * DAY_MS)]
    fed.store("NF-01", samples)
    assert not fed.feeder.once()
    truck = fed.trucks["NF-01"]
    with fed.database.write() as tx:
        sealed.place(tx, "archive")
        made = sealing.draft(tx, vehicle_id=truck, month=month, max_gap_ms=MAX_GAP_MS)
        assert made is not None
        sealing.keep(sealed.archive_of(tx), made.contents)
        sealed.enroll(tx, made.sealed(1))
        sealing.clear(tx, made.rows, month=month)
    assert fed.state.spans_waiting == 1
    state = fed.drain()
    assert (state.points, state.spans_waiting) == (60, 0)
    assert {at for _, at in far.vehicles()} == {int(each["time_ms"]) for each in samples}


def test_of_two_values_the_one_that_is_read_stands_after_a_month_was_sent_from_the_archive(
    fed: Fed, far: Stub
) -> None:
    first, *rest = climb(30)
    fed.store("NF-01", [first])
    fed.drain()
    fed.store("NF-01", rest)
    truck, month = fed.trucks["NF-01"], Month(2026, 1)
    with fed.database.write() as tx:
        sealed.place(tx, "archive")
        made = sealing.draft(tx, vehicle_id=truck, month=month, max_gap_ms=MAX_GAP_MS)
        assert made is not None
        sealing.keep(sealed.archive_of(tx), made.contents)
        sealed.enroll(tx, made.sealed(1))
        sealing.clear(tx, made.rows, month=month)
    fed.drain()
    key = ("heatbook", "samples,vehicle=NF-01", int(rest[9]["time_ms"]))
    before = far.points[key]["fluid_temp_c"]
    fed.store("NF-01", [{**rest[9], "fluid_temp_c": 20.0}])
    fed.drain()
    assert far.points[key]["fluid_temp_c"] == before != "20.0"


def test_what_lies_in_an_archive_whose_server_is_away_waits_for_it(
    fed: Fed, far: Stub, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        gone = Session(
            replace(fed.influx.access(), url=f"http://127.0.0.1:{taken.getsockname()[1]}")
        )
    archives: list[Archive] = [
        InfluxArchive(gone, "months"),
        ParquetArchive(tmp_path / "months"),
    ]
    monkeypatch.setattr(sealed, "_OPENERS", {"influx": lambda _: archives[0]})
    fed.feeder.once()
    fed.store("NF-01", climb(30))
    fed.now_ms = NOON_MS + 10 * HOUR_MS
    truck, month = fed.trucks["NF-01"], Month(2026, 1)
    with fed.database.write() as tx:
        made = sealing.draft(tx, vehicle_id=truck, month=month, max_gap_ms=MAX_GAP_MS)
        assert made is not None
        sealing.keep(archives[1], made.contents)
        sealed.place(tx, "of influx.example", kind="influx")
        sealed.enroll(tx, made.sealed(1))
        sealing.clear(tx, made.rows, month=month)
        feed.sum_up(tx, [(truck, NOON_MS)])
    for _ in range(3):
        assert not fed.feeder.once()
        assert (fed.state.trouble, fed.state.points, fed.state.hours_waiting) == ("away", 0, 1)
    archives.pop(0)
    assert fed.drain().points == 30
    assert len(far.vehicles()) == 30
    assert far.vehicles("heatbook-sums")
    gone.close()


def test_an_erased_truck_goes_from_every_bucket_before_anything_else(
    fed: Fed, far: Stub
) -> None:
    fed.store("NF-01", climb(10))
    fed.drain()
    fed.store("NF-02", climb(10))
    with fed.database.write() as tx:
        feed.erase(tx, vehicle_id=fed.trucks["NF-01"], vehicle="NF-01")
    far.answers.append(problem(503, "overloaded"))
    assert not fed.feeder.once()
    assert (fed.state.erasures_waiting, far.deleted) == (1, [])
    assert fed.drain().erasures_waiting == 0
    assert far.deleted == [(name, 'vehicle="NF-01"') for name in ("heatbook", "heatbook-sums")]


def test_another_server_gets_all_that_the_journal_has(fed: Fed, tmp_path: Path) -> None:
    fed.store("NF-01", climb(30))
    assert fed.drain().points == 30
    with stub() as other:
        fed.influx = section(other.url)
        fed.again()
        assert fed.drain().points == 30
        assert len(other.vehicles()) == 30


def test_sums_are_made_when_an_hour_is_over_and_again_for_late_samples(
    fed: Fed, far: Stub
) -> None:
    samples = climb(120, start_ms=NOON_MS)
    fed.store("NF-01", samples[:90])
    fed.drain()
    assert (fed.state.hours_waiting > 0, far.vehicles("heatbook-sums")) == (True, [])
    fed.now_ms = NOON_MS + 10 * HOUR_MS
    fed.drain()

    def hours() -> dict[int, dict[str, str]]:
        return {
            at: fields
            for (bucket, series, at), fields in far.points.items()
            if (bucket, series) == ("heatbook-sums", "hours,vehicle=NF-01")
        }

    def counted() -> int:
        return sum(int(fields["samples"].rstrip("i")) for fields in hours().values())

    assert counted() == 90
    fed.store("NF-01", samples[90:])
    fed.drain()
    assert counted() == 120
    for start_ms, fields in hours().items():
        inside = [
            each["fluid_temp_c"]
            for each in samples
            if start_ms <= each["time_ms"] < start_ms + HOUR_MS
        ]
        assert float(fields["fluid_temp_c_min"]) == min(inside)
        assert float(fields["fluid_temp_c_max"]) == max(inside)
        assert float(fields["fluid_temp_c_mean"]) == pytest.approx(sum(inside) / len(inside))
    assert fed.state.hours_waiting == 0
