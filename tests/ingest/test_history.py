"""A truck's stored samples as a table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ingest import journal
from ingest.history import frame
from models.sample import SIGNAL_NAMES
from tests.ingest.folded import memory, newcomer
from tests.recorded import MINUTE_MS, NOON_MS, climb, records

DAY = climb(30)


def test_a_span_is_a_table_in_order_of_time_with_one_column_a_signal() -> None:
    tx = memory()
    truck = newcomer(tx)
    journal.append(tx, vehicle_id=truck.vehicle_id, samples=records(DAY[::-1]), received_ms=1)
    last_ms = NOON_MS + 9 * MINUTE_MS
    table = frame(tx, vehicle="NF-01", first_ms=NOON_MS, last_ms=last_ms)
    assert list(table.columns) == list(SIGNAL_NAMES)
    assert table.index[0] == pd.Timestamp("2026-01-01T12:00:00Z")
    assert table.index[-1] == pd.Timestamp("2026-01-01T12:09:00Z")
    assert table.index.name == "time"
    assert table["fluid_temp_c"].tolist() == [one["fluid_temp_c"] for one in DAY[:10]]
    assert np.isnan(table["coolant_temp_c"]).all()


def test_milliseconds_are_kept() -> None:
    tx = memory()
    truck = newcomer(tx)
    odd = [{"time_ms": NOON_MS + 1, "gear": 1.0}, {"time_ms": NOON_MS + 999, "gear": 2.0}]
    journal.append(tx, vehicle_id=truck.vehicle_id, samples=records(odd), received_ms=1)
    table = frame(tx, vehicle="NF-01", first_ms=0, last_ms=2**62)
    assert [stamp.value // 1_000_000 - NOON_MS for stamp in table.index] == [1, 999]


def test_a_truck_never_heard_gives_an_empty_table() -> None:
    tx = memory()
    for vehicle in ("NF-01", newcomer(tx, "NF-02").name):
        table = frame(tx, vehicle=vehicle, first_ms=0, last_ms=2**62)
        assert table.empty
        assert list(table.columns) == list(SIGNAL_NAMES)
        assert str(table.index.tz) == "UTC"  # type: ignore[attr-defined] # a DatetimeIndex
