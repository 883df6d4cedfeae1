"""Reading a truck's stored samples as a table."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from ingest.codec import absent
from ingest.journal import read
from models.sample import SIGNAL_NAMES

if TYPE_CHECKING:
    import pandas as pd


def frame(
    conn: sqlite3.Connection, *, vehicle: str, first_ms: int, last_ms: int
) -> pd.DataFrame:
    """Give a truck's samples from ``first_ms`` to ``last_ms``, both included.

    Returns
    -------
    DataFrame
        Index ``time`` (UTC, ms), one float column per signal of the contract in its unit, NaN
        where the signal was absent. Empty for a truck that was never heard.
    """
    row = conn.execute("SELECT id FROM vehicle WHERE name = ?", (vehicle,)).fetchone()
    samples = (
        absent(0)
        if row is None
        else read(conn, vehicle_id=row[0], first_ms=first_ms, last_ms=last_ms)
    )
    return table(samples)


def table(samples: NDArray[Any]) -> pd.DataFrame:
    """Give records ``SAMPLE`` as a table, as ``frame`` does."""
    # The daemon needs no tables, and would wait most of a second for them at its start.
    import pandas as pd  # noqa: PLC0415

    times = pd.to_datetime(samples["time_ms"], unit="ms", utc=True)
    columns = {name: samples[name] for name in SIGNAL_NAMES}
    return pd.DataFrame(columns, index=pd.DatetimeIndex(times, name="time"))
