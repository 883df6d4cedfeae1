"""What is exported reads back as it is stored: by pandas, and by the standard library's csv."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from deploy.database import Database
from ingest.history import table
from ingest.parquet_schema import BAND_NAMES
from ingest.rollup import EDGES_C
from models.sample import SIGNAL_NAMES, SIGNALS
from review import history
from review.history_export import Detail, Wanted, csv_parts, write_parquet
from tests.deploy.moved import move
from tests.deploy.store import store
from tests.review.test_history import ALL, EVER, NOW_MS, _filled

BERLIN = ZoneInfo("Europe/Berlin")
WANTED = Wanted(truck="NF-01", first_ms=EVER[0], last_ms=EVER[1])


def _half_moved(database: Database) -> None:
    _filled(database, ALL)
    move(database, now_ms=NOW_MS)


def _csv(database: Database, wanted: Wanted, *, mark: bool = False) -> tuple[int, bytes]:
    with database.read() as conn:
        parts = list(csv_parts(conn, wanted, BERLIN, mark=mark))
    return sum(count for count, _ in parts), b"".join(part for _, part in parts)


def _as(detail: Detail) -> Wanted:
    return Wanted(truck="NF-01", first_ms=EVER[0], last_ms=EVER[1], detail=detail)


@pytest.mark.parametrize("mark", [False, True])
def test_pandas_reads_the_csv_as_the_very_samples(tmp_path: Path, mark: bool) -> None:
    with store(tmp_path) as database:
        _half_moved(database)
        rows, text = _csv(database, WANTED, mark=mark)
    assert text.startswith(b"\xef\xbb\xbf") == mark
    found = pd.read_csv(io.BytesIO(text), encoding="utf-8-sig")
    assert rows == len(found) == len(ALL)
    times = pd.to_datetime(found["time"], format="ISO8601", utc=True)
    assert (times.astype("datetime64[ms, UTC]").astype("int64") == ALL["time_ms"]).all()
    for name in SIGNAL_NAMES:
        np.testing.assert_array_equal(found[name].to_numpy(float), ALL[name])


def test_the_csv_is_as_the_standard_has_it_and_holds_nothing_that_a_sheet_would_run(
    tmp_path: Path,
) -> None:
    # RFC 4180: lines end in CRLF, all have as many cells as the heading.
    with store(tmp_path) as database:
        _half_moved(database)
        _, text = _csv(database, WANTED)
        _, summed = _csv(database, _as("1min"))
    for each in (text, summed):
        assert each.endswith(b"\r\n")
        assert each.count(b"\n") == each.count(b"\r\n")
        lines = list(csv.reader(io.StringIO(each.decode("ascii"), newline=""), strict=True))
        assert {len(line) for line in lines} == {len(lines[0])}
        cell = re.compile(
            r"|-?\d+(\.\d+)?(e[+-]\d+)?|\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d{3})?Z?"
        )
        assert all(cell.fullmatch(text) for line in lines[1:] for text in line)


def test_the_fleets_own_time_stands_beside(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        _half_moved(database)
        found = pd.read_csv(io.BytesIO(_csv(database, WANTED)[1]))
    own = pd.to_datetime(found["time_fleet"], format="ISO8601")
    utc = pd.to_datetime(found["time"], format="ISO8601", utc=True)
    assert (utc.dt.tz_convert("Europe/Berlin").dt.tz_localize(None) == own).all()


@pytest.mark.parametrize("detail", ["1min", "1h"])
def test_sums_are_exported_whole_and_once(tmp_path: Path, detail: history.Step) -> None:
    with store(tmp_path) as database:
        _half_moved(database)
        rows, text = _csv(database, _as(detail))
        with database.read() as conn:
            wanted = history.rollup(conn, "NF-01", *EVER, step=detail)
    found = pd.read_csv(io.BytesIO(text))
    assert rows == len(found) == len(wanted.start_ms)
    assert found["samples"].sum() == len(ALL)
    np.testing.assert_allclose(found[list(BAND_NAMES)].to_numpy(), wanted.bands_s, atol=1e-9)
    np.testing.assert_array_equal(
        found["fluid_temp_c_mean"].to_numpy(float), wanted.signals["fluid_temp_c"].mean
    )


def test_parquet_is_the_archives_own_schema(tmp_path: Path) -> None:
    path = tmp_path / "nf-01.parquet"
    with store(tmp_path) as database:
        _half_moved(database)
        with database.read() as conn, path.open("wb") as file:
            assert write_parquet(conn, WANTED, file) == len(ALL)
    found = pd.read_parquet(path).set_index("time")
    pd.testing.assert_frame_equal(found, table(ALL), check_index_type=False, check_freq=False)
    told = pq.read_schema(path).metadata
    assert told[b"heatbook.vehicle"] == b"NF-01"
    assert told[b"heatbook.step"] == b"raw"


def test_pandas_alone_reads_the_archive_as_it_is_described(tmp_path: Path) -> None:
    # The columns are those of ingest/README.md, "The archive".
    with store(tmp_path) as database:
        _half_moved(database)
    text = (Path(__file__).parents[2] / "ingest" / "README.md").read_text(encoding="utf-8")
    described = text.split("## The archive")[1]
    found = pd.read_parquet(tmp_path / "archive" / "samples")
    assert list(found.columns) == ["time", *SIGNAL_NAMES, "vehicle"]
    assert str(found["time"].dtype) == "datetime64[ms, UTC]"
    assert {str(found[name].dtype) for name in SIGNAL_NAMES} == {"float64"}
    sealed = ALL[: len(found)]
    assert (found["time"].astype("int64").to_numpy() == sealed["time_ms"]).all()
    for signal in SIGNALS:
        np.testing.assert_array_equal(found[signal.name].to_numpy(), sealed[signal.name])
    for kind in ("minutes", "hours"):
        summed = pd.read_parquet(tmp_path / "archive" / kind)
        wanted = ["time", "samples", *BAND_NAMES]
        assert list(summed.columns[: len(wanted)]) == wanted
        assert {name for name in summed.columns if name.startswith("gear_")} == {
            "gear_min",
            "gear_mean",
            "gear_max",
            "gear_count",
        }
    for name in (*BAND_NAMES, "samples", "heatbook.sha256"):
        assert f"`{name}`" in described
    assert len(BAND_NAMES) == len(EDGES_C) + 1


def test_a_truck_never_heard_gives_a_heading_alone(tmp_path: Path) -> None:
    other = Wanted(truck="NF-09", first_ms=0, last_ms=2**62)
    with store(tmp_path) as database:
        rows, text = _csv(database, other)
        assert (rows, text.count(b"\r\n")) == (0, 1)
        with database.read() as conn:
            assert write_parquet(conn, other, io.BytesIO()) == 0


def test_only_the_span_that_is_asked_for_is_written(tmp_path: Path) -> None:
    low, high = 60, 900
    with store(tmp_path) as database:
        _half_moved(database)
        part = Wanted(
            truck="NF-01", first_ms=int(ALL["time_ms"][low]), last_ms=int(ALL["time_ms"][high])
        )
        assert _csv(database, part)[0] == high - low + 1
