"""The columns of a file of service entries, and what stands in one cell: numbers, times, texts.

The same names are the keys of a TOML file. Numbers may be in other units, which their column says.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time, tzinfo

from ingest.entry_fields import FLAGS, NUMBERS, WORDS
from models.units import KM_PER_MILE, QUARTS_PER_LITRE

NEEDED = ("vehicle", "kind", "time")
"""Columns without which there is no entry."""

OWN = ("id", *NEEDED, "note", "who", "entered", "supersedes", "key")
"""Columns beside numbers and words; ``id`` and ``supersedes`` are labels within the file."""

TEXTS = frozenset({"note", "who", "key", *WORDS})
"""Columns that hold a text as it is, blanks and all."""

NM_PER_LBF_FT = 4.4482216152605 * 0.3048
"""Newton metres in a pound-force foot [N·m], exact (NIST SP 811, appendix B)."""

_PLAIN_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MOMENT = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)([Zz]|[+-]\d{2}:\d{2})",
    re.ASCII,
)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_FLAGS = {"yes": 1.0, "true": 1.0, "no": 0.0, "false": 0.0}


def _percent(value: float) -> float:
    return value / 100.0


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def _litres(quarts: float) -> float:
    return quarts / QUARTS_PER_LITRE


_SHARES = tuple(name for name, number in NUMBERS.items() if number.unit == "share")

OTHER_UNITS: Mapping[str, tuple[str, Callable[[float], float]]] = {
    "volume_qt": ("volume_l", _litres),
    "fluid_total_qt": ("fluid_total_l", _litres),
    "odometer_mi": ("odometer_km", lambda miles: miles * KM_PER_MILE),
    "thermostat_open_f": ("thermostat_open_c", _celsius),
    "thermostat_full_f": ("thermostat_full_c", _celsius),
    "rated_torque_lbf_ft": ("rated_torque_nm", lambda pounds: pounds * NM_PER_LBF_FT),
    "water_ppm": ("water_share", lambda parts: parts / 1e6),
    **{f"{name.removesuffix('_share')}_pct": (name, _percent) for name in _SHARES},
}
"""Columns in other units: the number they give, and how it is worked out from them."""

COLUMNS = (*OWN[:4], *NUMBERS, *WORDS, *OWN[4:])
"""Every column in SI, in the order in which files are written."""

_KNOWN = (*COLUMNS, *OTHER_UNITS)


def unknown_column(name: str) -> str | None:
    """Say how to mend the name of a column that nothing reads; None for one that is known."""
    if name in _KNOWN:
        return None
    nearest = difflib.get_close_matches(name, _KNOWN, n=1, cutoff=0.0)[0]
    return f"the nearest known is {nearest!r}; rename it, or take it out"


def number_of(column: str) -> str:
    """Name the number that a column gives, in its unit or another."""
    return OTHER_UNITS[column][0] if column in OTHER_UNITS else column


def number(column: str, value: object) -> float:
    """Read a number in the unit of its column; give it in SI.

    Raises
    ------
    ValueError
        With what is wrong and how to mend it, parted by a semicolon.
    """
    name, convert = OTHER_UNITS.get(column, (column, float))
    return convert(_plain(name, value))


def moment_ms(value: object, zone: tzinfo) -> int:
    """Read a time, or a day, which is its noon in ``zone``; give Unix time [ms].

    Raises
    ------
    ValueError
        With what is wrong and how to mend it, parted by a semicolon.
    """
    if isinstance(value, str):
        value = _written_moment(value.strip())
    if isinstance(value, datetime):
        if value.tzinfo is None:
            msg = f"{value.isoformat()} could be any zone's; add its offset, as +02:00 or Z"
            raise ValueError(msg)
        return round(value.timestamp() * 1000)
    if isinstance(value, date):
        noon = datetime.combine(value, time(12), tzinfo=zone)
        return round(noon.timestamp() * 1000)
    raise ValueError(f"is {value}; write a time, 2026-06-16T08:30:00Z, or a day, 2026-06-16")


def text(value: object) -> str:
    """Read a text.

    Raises
    ------
    ValueError
        With what is wrong and how to mend it, parted by a semicolon.
    """
    if not isinstance(value, str):
        raise ValueError(f"is {value!r}; write it in quotes, as text")
    return value


def name(value: object) -> str:
    """Read a name, which has no blanks around it.

    Raises
    ------
    ValueError
        With what is wrong and how to mend it, parted by a semicolon.
    """
    return text(value).strip()


def label(value: object) -> str:
    """Read the label of an entry within its file: a number or a text.

    Raises
    ------
    ValueError
        With what is wrong and how to mend it, parted by a semicolon.
    """
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError(f"is {value!r}; write a whole number, or a text")
    return str(value).strip()


def plain(value: float) -> str:
    """Write a number so that reading it gives the very same: whole ones without a point."""
    return f"{value:.0f}" if value.is_integer() and abs(value) < 1e15 else repr(value)


def _plain(name: str, value: object) -> float:
    if name in FLAGS and isinstance(value, bool):
        return float(value)
    if isinstance(value, str):
        written = value.strip()
        if name in FLAGS and written.lower() in _FLAGS:
            return _FLAGS[written.lower()]
        if _PLAIN_NUMBER.fullmatch(written):
            return float(written)
        mend = "write digits and at most a point, as 61310.5"
        raise ValueError(f"{written!r} is no number; {mend}")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"is {value!r}; write a number, without quotes")
    return float(value) if isinstance(value, float) or abs(value) < 1e300 else math.inf


def _written_moment(written: str) -> object:
    try:
        if _DAY.fullmatch(written):
            return date.fromisoformat(written)
        if parts := _MOMENT.fullmatch(written):
            day, clock, offset = parts.groups()
            return datetime.fromisoformat(f"{day}T{clock}{offset.upper()}")
    except ValueError as error:
        raise ValueError(f"{written!r} is no time ({error}); correct it") from None
    mend = "write a time with its offset, 2026-06-16T08:30:00Z, or a day, 2026-06-16"
    raise ValueError(f"{written!r} is no time; {mend}")
