"""A chart as a page carries it: where its numbers come from, a still picture, and the same in a table.

The picture and the table are there without scripts; ``static/chart.js`` puts the living chart in their place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlencode

from models.units import KM_PER_MILE, Units
from review.api.places import ROOT
from review.console.say import NOT_KNOWN
from review.console.still import Still, still_of
from review.console.visit import Visit
from review.series import Series, series
from review.series_lines import LABELS, USUAL
from review.series_table import Reading, Row, rows_of

STILL_PX = 300
"""Points of the still picture; the living one asks for its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """What the template ``chart.html`` draws.

    ``address``: of the numbers, without span and width. ``live``: the span ends now and goes along.
    """

    truck: str
    address: str
    series: Series
    still: Still
    rows: Sequence[Row]
    units: Units
    zone: str
    live: bool
    panels: bool

    def told(self, reading: Reading) -> str:
        """Write what was measured in a row of the table."""
        if reading.low is None or reading.mean is None or reading.high is None:
            return NOT_KNOWN
        low, mean, high = (
            measured(value, reading.unit, self.units)
            for value in (reading.low, reading.mean, reading.high)
        )
        return low if low == high else f"{low} to {high} ({mean})"

    @property
    def columns(self) -> Sequence[str]:
        """Give what the columns of the table are called."""
        return [LABELS[line.name].capitalize() for line in self.series.lines]


def chart_of(
    visit: Visit,
    truck: str,
    *,
    first_ms: int,
    last_ms: int,
    signals: Sequence[str] = USUAL,
    live: bool = False,
    panels: bool = True,
) -> Chart:
    """Put a truck's chart over a span together.

    Parameters
    ----------
    visit
        Who looks at it.
    truck, first_ms, last_ms, signals
        As for ``review.series.series``, which says what it raises.
    live
        The span ends now: it goes on as samples come.
    panels
        Show the state of the circuit beneath the temperatures.
    """
    units = visit.visitor.units
    with visit.house.store.read() as conn:
        found = series(
            conn,
            visit.house.reader,
            truck,
            first_ms=first_ms,
            last_ms=last_ms,
            width_px=STILL_PX,
            signals=signals,
            healthy=False,
            units=units,
        )
    return Chart(
        truck=truck,
        address=address(truck, signals),
        series=found,
        still=still_of(found),
        rows=rows_of(found),
        units=units,
        zone=str(units.zone),
        live=live,
        panels=panels,
    )


def address(truck: str, signals: Sequence[str]) -> str:
    """Give where the numbers of a chart are, without span and width."""
    named = urlencode([("signals", name) for name in signals])
    return f"{ROOT}/trucks/{quote(truck)}/series?{named}"


def measured(value: float, unit: str, units: Units) -> str:
    """Write a reading with its unit."""
    if unit == "°C":
        return units.degrees(value)
    if unit == "km/h" and units.distance == "mi":
        return f"{value / KM_PER_MILE:,.0f} mph"
    return f"{value:,.0f} {unit}"
