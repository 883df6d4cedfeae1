"""Numbers and times as people write them: with their unit, or bare in the units of the fleet."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, tzinfo
from typing import Protocol

from models.units import KM_PER_MILE, METRIC, QUARTS_PER_LITRE, US, Units
from review.problems import Mistake

_NUMBER = re.compile(r"([+-]?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?|[+-]?\.\d+)\s*([^\d\s.,]*)")

_VOLUMES = {"l": 1.0, "qt": 1.0 / QUARTS_PER_LITRE}
_DISTANCES = {"km": 1.0, "mi": KM_PER_MILE}


class NotUnderstood(Mistake):
    """What somebody wrote cannot be read."""

    exit_code = 2


def volume_l(text: str, units: Units) -> float:
    """Read a volume, ``4.5L``, ``5qt`` or a bare number in the fleet's unit; give it in litres."""
    return _measure(text, _VOLUMES, units.volume, "write a volume like 4.5L or 5qt")


def distance_km(text: str, units: Units) -> float:
    """Read a distance, ``61310km``, ``38,000mi`` or a bare number in the fleet's unit; give it in km."""
    return _measure(
        text, _DISTANCES, units.distance, "write a distance like 61310km or 38000mi"
    )


def temperature_c(text: str, units: Units) -> float:
    """Read a temperature, ``93C``, ``200F`` or a bare number in the fleet's unit; give it in °C."""
    mend = "write a temperature like 93C or 200F"
    number, unit = _parts(text, mend)
    unit = unit.removeprefix("°").upper() or units.temperature
    if unit not in ("C", "F"):
        raise NotUnderstood(f"{text!r} has no unit that is known; {mend}")
    return number if unit == "C" else (number - 32.0) / 1.8


def share(text: str) -> float:
    """Read a share, ``0.55`` or ``55%``; give it as a number [-]."""
    mend = "write a share like 0.55 or 55%"
    number, unit = _parts(text, mend)
    if unit not in ("", "%"):
        raise NotUnderstood(f"{text!r} is no share; {mend}")
    return number / 100.0 if unit == "%" else number


def moment_ms(text: str, zone: tzinfo, now_ms: int) -> int:
    """Read a date or a time; without an offset it is in ``zone``, a date alone is its noon.

    Parameters
    ----------
    text
        ``2026-06-16``, ``2026-06-16T08:30`` or RFC 3339.
    zone
        The fleet's time zone.
    now_ms
        Noon of today is now [Unix ms] while it has not come.

    Returns
    -------
    int
        Unix time [ms].

    Raises
    ------
    NotUnderstood
        Where it is neither.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise NotUnderstood(
            f"{text!r} is no time; write a date, 2026-06-16, or a time, 2026-06-16T08:30:00Z"
        ) from None
    alone = re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", text) is not None
    if alone:
        moment = datetime.combine(moment.date(), time(12))
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    found_ms = round(moment.timestamp() * 1000)
    today = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone).date()
    if alone and found_ms > now_ms and moment.date() == today:
        return now_ms
    return found_ms


def day(time_ms: int, zone: tzinfo) -> str:
    """Write the day of a time [Unix ms] in a time zone."""
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone):%Y-%m-%d}"


def minute(time_ms: int, zone: tzinfo) -> str:
    """Write a time [Unix ms] to the minute, with the zone's name."""
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone):%Y-%m-%d %H:%M %Z}"


class Writer(Protocol):
    """Writes measures for a person."""

    def degrees(self, celsius: float) -> str:
        """Write a temperature given in °C."""

    def length(self, km: float) -> str:
        """Write a distance given in km."""

    def amount(self, litres: float) -> str:
        """Write a volume given in litres."""


@dataclass(frozen=True, slots=True)
class Both:
    """Writes measures in both units, the fleet's first."""

    units: Units

    def degrees(self, celsius: float) -> str:
        """Write a temperature given in °C."""
        first, second = _order(self.units.temperature == "F")
        return f"{first.degrees(celsius)} ({second.degrees(celsius)})"

    def length(self, km: float) -> str:
        """Write a distance given in km."""
        first, second = _order(self.units.distance == "mi")
        return f"{first.length(km)} ({second.length(km)})"

    def amount(self, litres: float) -> str:
        """Write a volume given in litres."""
        first, second = _order(self.units.volume == "qt")
        return f"{first.amount(litres)} ({second.amount(litres)})"


def _order(us_first: bool) -> tuple[Units, Units]:
    return (US, METRIC) if us_first else (METRIC, US)


def _measure(text: str, known: Mapping[str, float], bare: str, mend: str) -> float:
    number, unit = _parts(text, mend)
    factor = known.get(unit.lower() or bare.lower())
    if factor is None:
        raise NotUnderstood(f"{text!r} has no unit that is known; {mend}")
    return number * factor


def _parts(text: str, mend: str) -> tuple[float, str]:
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        raise NotUnderstood(f"{text!r} is no number that is understood; {mend}")
    return float(found[1].replace(",", "")), found[2]
