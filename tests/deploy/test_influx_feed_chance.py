"""Whatever happens in whatever order, the server ends with what the store reads: chance, by a seed."""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np
import pytest

from ingest import feed, journal, sealed, sealing
from ingest.archive import Month
from models.sample import SIGNAL_NAMES
from tests.deploy.fed import MAX_GAP_MS, Fed, section
from tests.influx_stub import Stub, problem, stub
from tests.recorded import Sample

DAY_MS = 86_400_000
MONTH = Month(2026, 1)
TRUCKS = ("NF-01", "NF-02")
STEPS = 60

SEEDS = (0, 1, 4, 13, 34, 36)
"""The last four once found that a restart forgot which times had been sent."""

FAILURES = (problem(503, "overloaded"), problem(404, "bucket not found"), "cut")


def _some(chance: Random) -> list[Sample]:
    """Give a row of one of two days as it is stored, in order; many have times that other rows have too."""
    seconds = chance.sample(range(40), chance.randrange(1, 6))
    day_ms = MONTH.first_ms + chance.randrange(2) * DAY_MS
    return [
        {
            "time_ms": day_ms + second * 1000,
            "fluid_temp_c": float(chance.randrange(80, 120)),
            **({"gear": float(chance.randrange(1, 9))} if chance.random() < 0.5 else {}),
        }
        for second in sorted(seconds)
    ]


def _seal(fed: Fed, truck: int) -> None:
    with fed.database.write() as tx:
        made = sealing.draft(tx, vehicle_id=truck, month=MONTH, max_gap_ms=MAX_GAP_MS)
        if made is None:
            return
        if made.new:
            sealing.keep(sealed.archive_of(tx), made.contents)
            sealed.enroll(tx, made.sealed(1))
        if made.rows:
            sealing.clear(tx, made.rows, month=MONTH)


def _gather(fed: Fed, truck: int) -> None:
    with fed.database.write() as tx:
        for day_ms in sealing.scattered_days(tx, vehicle_id=truck, before_ms=2**42):
            sealing.gather(tx, vehicle_id=truck, day_ms=day_ms)


def _step(fed: Fed, far: Stub, chance: Random) -> None:
    truck = chance.choice(TRUCKS)
    what = chance.choices(
        ("store", "feed", "gather", "seal", "fail", "die"), (40, 30, 8, 4, 10, 8)
    )[0]
    if what == "store":
        fed.store(truck, _some(chance))
    elif what == "feed":
        fed.feeder.once()
    elif what == "fail":
        far.answers.append(chance.choice(FAILURES))
    elif what == "die":
        fed.again()
    elif truck in fed.trucks:
        (_gather if what == "gather" else _seal)(fed, fed.trucks[truck])


@pytest.mark.parametrize("seed", SEEDS)
def test_the_server_ends_with_what_the_store_reads(seed: int, tmp_path: Path) -> None:
    chance = Random(seed)
    with stub() as far:
        fed = Fed(tmp_path, section(far.url, batch_points=7))
        with fed.database.write() as tx:
            sealed.place(tx, "archive")
            feed.begin(tx, fed.influx.place)
        for _ in range(STEPS):
            _step(fed, far, chance)
        far.answers.clear()
        state = fed.drain()
        assert (state.rows_waiting, state.spans_waiting, state.refused) == (0, 0, 0)
        for name, truck in fed.trucks.items():
            with fed.database.read() as conn:
                expected = journal.read(conn, vehicle_id=truck, first_ms=0, last_ms=2**42)
            kept = {
                at: fields
                for (where, series, at), fields in far.points.items()
                if (where, series) == ("heatbook", f"samples,vehicle={name}")
            }
            assert sorted(kept) == expected["time_ms"].tolist(), f"seed {seed}"
            for row in expected:
                there = {
                    signal: float(row[signal])
                    for signal in SIGNAL_NAMES
                    if not np.isnan(row[signal])
                }
                told = {key: float(value) for key, value in kept[int(row["time_ms"])].items()}
                assert told == there, f"seed {seed}"
        fed.close()
