"""Samples, what they come to, and fills, as the API gives them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from ingest.rollup import BANDS
from models.sample import SIGNAL_NAMES, SIGNALS, Signal
from review.api.shape import Moment, OneOf, Shape, Truck, shape_by_table
from review.api.truck_shapes import Account

SignalName = Annotated[str, OneOf(SIGNAL_NAMES)]


class _At(Shape):
    """One sample of a truck; null: the signal was not sent."""

    at: Moment
    """When, by the truck's own clock."""


def _field(signal: Signal) -> tuple[Any, Any]:
    kind: Any = {"number": float, "integer": int, "boolean": bool}[signal.kind]
    unit = "" if signal.unit == "-" else f" [{signal.unit}]"
    meaning = signal.meaning[0].upper() + signal.meaning[1:]
    return kind | None, Field(description=f"{meaning}{unit}.")


Sample: Any = shape_by_table(
    "Sample",
    _At,
    "One sample of a truck; null: the signal was not sent.",
    {signal.name: _field(signal) for signal in SIGNALS},
)
"""One sample."""


class Samples(Shape):
    """A part of a truck's samples."""

    truck: Truck
    """The truck."""
    samples: list[Sample]
    """The samples, in order of time."""
    next: str | None
    """Cursor of the next part; null: this is the last."""


class Summary(Shape):
    """One signal over one bucket, in the unit of its name; null: it was absent."""

    name: SignalName
    """The signal; its name carries its unit."""
    low: float | None
    """Least."""
    mean: float | None
    """Mean of the samples."""
    high: float | None
    """Greatest."""
    samples_count: int
    """Samples that had it."""


class Bucket(Shape):
    """What the samples of one minute or hour come to."""

    start_at: Moment
    """Its beginning, UTC."""
    samples_count: int
    """Samples in it."""
    seen_s: float
    """Seconds in which the fluid's temperature is known [s]."""
    bands_s: Annotated[list[float], Field(min_length=BANDS, max_length=BANDS)]
    """Seconds in each temperature band, from the coldest to the hottest [s]."""
    signals: list[Summary]
    """The signals asked for."""


class Rollups(Shape):
    """A part of what a truck's samples come to; a minute or hour in which nothing was seen is left out."""

    truck: Truck
    """The truck."""
    step: Literal["1min", "1h"]
    """How long each bucket is."""
    bands_edges_c: list[float]
    """Edges of the temperature bands [°C]: one band below the first, one above the last."""
    buckets: list[Bucket]
    """The buckets, in order of time."""
    next: str | None
    """Cursor of the next part; null: this is the last."""


class Fill(Shape):
    """One fill of fluid: from when it went in until another took its place."""

    begun_by: Annotated[
        str, OneOf(("first sample", "install", "exchange", "fluid_change", "gearbox"))
    ]
    """What began it: an entry of the record, or nothing that anybody told."""
    entry_id: int | None
    """That entry; null: the fleet file says so, or nobody."""
    from_at: Moment | None
    """When it went in; null: nobody knows."""
    until_at: Moment | None
    """When it went out; null: it is still in."""
    fluid: str
    """Its fluid, by the name in the fleet file."""
    account: Account | None
    """Its account at its end, or now; null: the truck has none that holds."""


class Fills(Shape):
    """The fills of a truck."""

    truck: Truck
    """The truck."""
    fills: list[Fill]
    """The newest first."""
