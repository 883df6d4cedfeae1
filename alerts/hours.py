"""Times of the week as people write them: "mon-fri 06:00-18:00, sat 07:00-12:00".

Pure. They go by the clock on the wall: when clocks go forward the hour left out is in no span, and
when they go back the hour that comes twice counts twice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""The days of the week as they are written, Monday first (ISO 8601)."""

_MINUTE_MS = 60_000
_DAY_MIN = 1440
_DAY_MS = 86_400_000
_WEEK_MS = 7 * _DAY_MS
_SCAN_MS = 6 * 3_600_000

_SPAN = re.compile(
    r"(?:(?P<days>[a-z][a-z\- ]*?)\s+)?(?P<times>\d{1,2}:\d{2} ?- ?\d{1,2}:\d{2})",
    re.ASCII,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One stretch on some days: minutes after midnight; an end not after its beginning lies on the next day.

    ``days`` are those on which it begins, 0 for Monday.
    """

    days: frozenset[int]
    begin_min: int
    end_min: int

    @property
    def length_ms(self) -> int:
        """How long it is by the clock on the wall [ms]."""
        minutes = self.end_min - self.begin_min
        return (minutes if minutes > 0 else minutes + _DAY_MIN) * _MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Times of the week, one span or more; ``text`` as somebody wrote them."""

    spans: tuple[Span, ...]
    text: str = ""


def parse(text: str) -> Hours:
    """Read times of the week.

    Raises
    ------
    ValueError
        Says what is wrong, and how to write it.
    """
    said = " ".join(text.lower().split())
    if said == "always":
        return ALWAYS
    if not said:
        raise ValueError("names no hours; write 'mon-fri 06:00-18:00' or 'always'")
    parts = _parts([part.strip() for part in said.split(",")])
    return Hours(spans=tuple(_span(days, times) for days, times in parts), text=text)


ALWAYS = Hours(
    spans=(Span(days=frozenset(range(7)), begin_min=0, end_min=_DAY_MIN),), text="always"
)
"""Every hour of the week."""


def inside(hours: Hours, time_ms: int, zone: tzinfo) -> bool:
    """Tell whether the clock on the wall of ``zone`` shows one of these hours at ``time_ms`` [Unix ms]."""
    return _wait_ms(hours, _of_week_ms(time_ms, zone)) == 0


@lru_cache(maxsize=1024)  # alarms of one moment ask for the same people
def next_start_ms(hours: Hours, time_ms: int, zone: tzinfo) -> int:
    """Give the first time [Unix ms] from ``time_ms`` on that is inside."""
    while wait_ms := _wait_ms(hours, _of_week_ms(time_ms, zone)):
        # By the wall the wait is known; where clocks change before it is over it is counted anew.
        time_ms = _change_ms(time_ms, time_ms + wait_ms, zone) or time_ms + wait_ms
    return time_ms


def _parts(parts: list[str]) -> list[tuple[str, str]]:
    """Give days and times of each part; days without times ("sat, sun 08:00-12:00") share the next one's."""
    found: list[tuple[str, str]] = []
    days: list[str] = []
    for part in parts:
        matched = _SPAN.fullmatch(part)
        if matched is None:
            if ":" in part or not part:
                raise ValueError(
                    f"{part!r} is no time of the week; write it like mon-fri 06:00-18:00"
                )
            days.append(part)
            continue
        named = " ".join([*days, *([matched["days"]] if matched["days"] else [])])
        found.append((named, matched["times"]))
        days = []
    if days:
        raise ValueError(f"{days[-1]!r} has no times; write it like sat 07:00-12:00")
    return found


def _span(days: str, times: str) -> Span:
    begin, _, end = times.replace(" ", "").partition("-")
    begin_min, end_min = minutes_of(begin), minutes_of(end)
    if begin_min in (_DAY_MIN, end_min):
        raise ValueError(
            f"{times} has no length; a whole day is 00:00-24:00, a night 22:00-06:00"
        )
    return Span(days=_days(days), begin_min=begin_min, end_min=end_min)


def minutes_of(text: str) -> int:
    """Read a time of day, 00:00 to 24:00, as minutes after midnight; ValueError where it is none."""
    hour, _, minute = text.partition(":")
    if not (hour.isdecimal() and minute.isdecimal() and len(minute) == 2):
        raise ValueError(f"{text!r} is no time of day; write it like 06:00")
    minutes = 60 * int(hour) + int(minute)
    if int(minute) > 59 or minutes > _DAY_MIN:
        raise ValueError(f"{text!r} is no time of day; it ends at 24:00")
    return minutes


def day_of(text: str) -> int:
    """Read a day, "mon" or "Monday": 0 for Monday; ValueError where it is none."""
    for number, name in enumerate(DAYS):
        if text == name or (len(text) > 3 and _FULL[number].startswith(text)):
            return number
    raise ValueError(f"{text!r} is no day; write {', '.join(DAYS)}")


_FULL = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _days(text: str) -> frozenset[int]:
    if text in ("", "daily", "every day"):
        return frozenset(range(7))
    found: set[int] = set()
    for word in text.replace(" - ", "-").split():
        first, dash, last = word.partition("-")
        begin = day_of(first)
        length = (day_of(last) - begin) % 7 if dash else 0
        found |= {(begin + step) % 7 for step in range(length + 1)}
    return frozenset(found)


def _of_week_ms(time_ms: int, zone: tzinfo) -> int:
    """Give what the wall shows as the time since Monday 00:00 [ms]."""
    local = _local(time_ms, zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    since = local.replace(tzinfo=None) - midnight.replace(tzinfo=None)
    return local.weekday() * _DAY_MS + round(since / timedelta(milliseconds=1))


def _wait_ms(hours: Hours, of_week_ms: int) -> int:
    """Give how long by the wall until one of the hours [ms]: 0 inside."""
    shortest = _WEEK_MS
    for span in hours.spans:
        for day in span.days:
            ahead_ms = (day * _DAY_MS + span.begin_min * _MINUTE_MS - of_week_ms) % _WEEK_MS
            if _WEEK_MS - ahead_ms < span.length_ms or ahead_ms == 0:
                return 0
            shortest = min(shortest, ahead_ms)
    return shortest


def _change_ms(from_ms: int, to_ms: int, zone: tzinfo) -> int | None:
    """Give the first moment after ``from_ms``, up to ``to_ms``, at which the clocks have changed."""
    before = _offset(from_ms, zone)
    low_ms = from_ms
    while low_ms < to_ms:
        high_ms = min(low_ms + _SCAN_MS, to_ms)
        if _offset(high_ms, zone) != before:
            return _bisected(low_ms, high_ms, before, zone)
        low_ms = high_ms
    return None


def _bisected(low_ms: int, high_ms: int, before: timedelta | None, zone: tzinfo) -> int:
    while high_ms - low_ms > 1:
        middle_ms = (low_ms + high_ms) // 2
        if _offset(middle_ms, zone) == before:
            low_ms = middle_ms
        else:
            high_ms = middle_ms
    return high_ms


def _offset(time_ms: int, zone: tzinfo) -> timedelta | None:
    return _local(time_ms, zone).utcoffset()


def _local(time_ms: int, zone: tzinfo) -> datetime:
    # Whole milliseconds: a float of seconds would fall short of a full minute now and then.
    return (_EPOCH + timedelta(milliseconds=time_ms)).astimezone(zone)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
