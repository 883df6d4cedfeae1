"""What somebody wants to look back at, as they write it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta, tzinfo

from models.units import Units
from review.hindsight.asked import Asked
from review.hindsight.other import Other
from review.kinds import WORDS
from review.measures import NotUnderstood, distance_km, share, temperature_c
from review.problems import Mistake

ALL = ""
"""Stands for all trucks."""


def asked_of(form: Mapping[str, str], units: Units) -> Asked:
    """Read a form.

    Raises
    ------
    Mistake
        With all that cannot be read.
    """
    wrong: list[str] = []
    told = {
        field: _read(form.get(name, "").strip(), about, how, units, wrong)
        for field, (name, about, how) in _FIELDS.items()
    }
    first = _day(form.get("from", ""), "From", wrong)
    last = _day(form.get("to", ""), "To", wrong)
    if wrong or first is None or last is None:
        raise Mistake("; ".join(wrong))
    return Asked(
        since_ms=midnight_ms(first, units.zone),
        until_ms=midnight_ms(last + timedelta(days=1), units.zone),
        other=Other(**told, off=frozenset(kind for kind in WORDS if form.get(f"off_{kind}"))),
        truck=form.get("truck", ALL) or None,
    )


_How = Callable[[str, Units], float]

_FIELDS: Mapping[str, tuple[str, str, _How]] = {
    "over_temperature_c": ("too_hot", "Too hot from", temperature_c),
    "over_temperature_critical_c": ("critical", "Critical from", temperature_c),
    "service_distance_km": ("distance", "Service every, by distance", distance_km),
    "service_days": ("days", "Service every, in days", lambda text, _: number(text)),
    "service_life_share": ("life", "Service at", lambda text, _: share(text)),
    "false_alarms_per_h": ("false_alarms", "False alarms", lambda text, _: number(text)),
    "max_gap_s": ("gap", "Longest gap", lambda text, _: number(text)),
    "silent_after_s": ("silent", "Silent after", lambda text, _: number(text)),
}
"""By field of ``Other``: the form's own name, what people call it, how it is read."""


def _read(text: str, about: str, how: _How, units: Units, wrong: list[str]) -> float | None:
    try:
        return how(text, units) if text else None
    except NotUnderstood as error:
        wrong.append(f"{about}: {error}")
        return None


def number(text: str) -> float:
    """Read a plain number.

    Raises
    ------
    NotUnderstood
        It is none.
    """
    try:
        return float(text.replace(",", ""))
    except ValueError:
        raise NotUnderstood(f"{text!r} is no number; write one like 0.0001") from None


def midnight_ms(day: date, zone: tzinfo) -> int:
    """Give when a day begins [Unix ms]."""
    return round(datetime.combine(day, time(0), zone).timestamp() * 1000)


def _day(text: str, about: str, wrong: list[str]) -> date | None:
    try:
        found = date.fromisoformat(text.strip())
    except ValueError:
        wrong.append(f"{about}: {text!r} is no day; write one like 2026-06-16")
        return None
    if not 2000 <= found.year <= 2200:
        wrong.append(f"{about}: {text} lies too far away")
        return None
    return found
