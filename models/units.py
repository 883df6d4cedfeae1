"""Units: SI inside; what people see is their choice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Literal

GAS_CONSTANT = 8.314462618
"""Molar gas constant R [J/(mol·K)], exact by the SI definition of 2019 (CODATA)."""

ZERO_CELSIUS_K = 273.15
"""The zero of the Celsius scale [K], exact by definition."""

KM_PER_MILE = 1.609344
"""Kilometres in a statute mile [km], exact (international yard, 1959)."""

QUARTS_PER_LITRE = 1.0 / 0.946352946
"""US liquid quarts in a litre [qt], exact (231 cubic inches to the gallon)."""


MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """How numbers are written for a person: degrees, distances, volumes, and where days begin."""

    temperature: Literal["C", "F"] = "C"
    distance: Literal["km", "mi"] = "km"
    volume: Literal["L", "qt"] = "L"
    zone: tzinfo = UTC

    def degrees(self, celsius: float) -> str:
        """Write a temperature given in °C."""
        if self.temperature == "F":
            return f"{celsius * 9 / 5 + 32:.0f} °F"
        return f"{celsius:.0f} °C"

    def difference(self, kelvin: float) -> str:
        """Write a temperature difference given in K (no offset: 1 K is 1.8 °F)."""
        if self.temperature == "F":
            return f"{kelvin * 9 / 5:.0f} °F"
        return f"{kelvin:.0f} °C"

    def length(self, km: float) -> str:
        """Write a distance given in km."""
        if self.distance == "mi":
            return f"{km / KM_PER_MILE:,.0f} mi"
        return f"{km:,.0f} km"

    def amount(self, litres: float) -> str:
        """Write a volume given in litres."""
        if self.volume == "qt":
            return f"{litres * QUARTS_PER_LITRE:.1f} qt"
        return f"{litres:.1f} L"

    def day(self, time_ms: float, *, year: bool = True) -> str:
        """Write the day of a time given in Unix ms, with its year or without."""
        day = datetime.fromtimestamp(time_ms / 1000, self.zone)
        written = f"{day.day} {MONTHS[day.month - 1]}"
        return f"{written} {day.year}" if year else written

    def year(self, time_ms: float) -> int:
        """Give the year of a time given in Unix ms."""
        return datetime.fromtimestamp(time_ms / 1000, self.zone).year


METRIC = Units()
US = Units(temperature="F", distance="mi", volume="qt")


def rfc3339(time_ms: int) -> str:
    """Write a time [Unix ms] for a program: RFC 3339, UTC, to the millisecond."""
    moment = datetime.fromtimestamp(time_ms / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
