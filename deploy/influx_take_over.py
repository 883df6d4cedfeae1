"""Months from Parquet files to InfluxDB: copied, read back, compared; then the store goes by them."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from deploy.influx_access import archive_in
from deploy.influx_section import Influx
from ingest import sealed, sealing
from ingest.archive import ArchiveError, Contents, Month, digest
from ingest.rollup import Rollup, rollup
from ingest.sealed import INFLUX, Sealed
from models.sample import SIGNAL_NAMES
from review.store import Store


def take_over(store: Store, influx: Influx) -> int:
    """Take over every month and tell how many; those that are there already are compared and stay.

    Raises
    ------
    ArchiveError
        A month cannot be read, written, or is not what it was; the store goes by the files as before.
    """
    archive = archive_in(influx)
    with store.read() as conn:
        before = sealed.archive_of(conn)
        trucks = conn.execute("SELECT id, name FROM vehicle ORDER BY id").fetchall()
        found = [
            (name, each)
            for vehicle_id, name in trucks
            for each in sealed.months(conn, vehicle_id=vehicle_id)
        ]
    for name, each in found:
        samples = before.reread(each.name)
        if digest(samples) != each.digest:
            raise ArchiveError(
                f"{each.name} is not as it was sealed",
                "'heatbook history verify' says what is wrong with it",
            )
        sums = [
            before.rollup(each.name, step_ms, SIGNAL_NAMES)
            or rollup(samples, step_ms=step_ms, max_gap_ms=each.max_gap_ms)
            for step_ms in sealing.STEPS_MS
        ]
        sealing.keep(archive, _contents(name, each, samples, sums))
    with store.write() as tx:
        sealed.move_place(tx, influx.archive_place, kind=INFLUX)
    return len(found)


def _contents(name: str, one: Sealed, samples: NDArray[Any], sums: list[Rollup]) -> Contents:
    return Contents(
        vehicle=name,
        month=Month.parse(one.month),
        samples=samples,
        rollups=sums,
        max_gap_ms=one.max_gap_ms,
    )
