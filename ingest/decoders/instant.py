"""The time of a sample: RFC 3339 with an offset, or Unix seconds, to the nearest millisecond.

Half a millisecond goes to the even neighbour, judged on the decimal as it was written and not
on its binary neighbour: the same text always gives the same key.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Context, Decimal
from math import floor

from ingest.decoded import WireRules
from ingest.decoders.shown import shown
from ingest.decoders.verdict import Fault

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

FARTHEST_S = 1e11
"""Unix seconds beyond which no arithmetic is tried (the year 5138)."""

TIE_WIDTH_MS = 0.01
"""How near to half a millisecond [ms] a binary fraction is not trusted: 40 times the rounding
error of a double at the present epoch (2.4e-4 ms)."""

written = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:)(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):?(\d\d))\Z",
    re.ASCII,
)
without_offset = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?\Z", re.ASCII)


def quick_ms(time: datetime | float | None) -> int | None:
    """Give the Unix time [ms], or None where it takes a closer look at the text."""
    if isinstance(time, datetime):
        if time.tzinfo is None or time.microsecond % 1000 == 500:
            return None
        since = time - EPOCH
        whole_ms = (since.days * 86_400 + since.seconds) * 1000
        return whole_ms + (since.microseconds + 500) // 1000
    if time is None or not -FARTHEST_S < time < FARTHEST_S:
        return None
    if isinstance(time, int):
        return time * 1000
    exact_ms = time * 1000.0
    if abs(exact_ms - floor(exact_ms) - 0.5) < TIE_WIDTH_MS:
        return None
    return round(exact_ms)


def exact_ms(value: object, text: str, *, now_ms: int, rules: WireRules) -> int | Fault:
    """Give the Unix time [ms] of a decoded ``value`` whose JSON is ``text``, or the fault."""
    if isinstance(value, str):
        time_ms = _from_text(value)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        time_ms = _from_number(value, text)
    else:
        detail = (
            f"time is {shown(text.encode())}; write RFC 3339 text or Unix seconds as a number"
        )
        return Fault("wrong_type", "time", detail)
    if isinstance(time_ms, Fault):
        return time_ms
    return _in_bounds(time_ms, text, now_ms=now_ms, rules=rules)


def _from_text(text: str) -> int | Fault:
    match = written.match(text)
    if match is None:
        if without_offset.match(text):
            detail = (
                f"time {shown(text)} has no offset from UTC; add Z or an offset like +02:00"
            )
            return Fault("naive_time", "time", detail)
        return _bad_form(text)
    date, clock, second, fraction, _, sign, hours, minutes = match.groups()
    # RFC 3339 allows a leap second; Unix time counts it as the next one.
    leap = second == "60" and clock == "23:59:"
    try:
        moment = datetime.fromisoformat(f"{date}T{clock}{'59' if leap else second}+00:00")
    except ValueError:
        return _bad_form(text)
    if int(hours or 0) > 23 or int(minutes or 0) > 59:
        return _bad_form(text)
    offset_s = (int(hours or 0) * 60 + int(minutes or 0)) * (-60 if sign == "-" else 60)
    seconds = (moment - EPOCH) // timedelta(seconds=1) + leap - offset_s
    return seconds * 1000 + _half_even(fraction or "")


def _half_even(digits: str) -> int:
    head = int(digits[:3].ljust(3, "0"))
    rest = digits[3:].rstrip("0")
    return head + (rest > "5" or (rest == "5" and head % 2 == 1))


def _bad_form(text: str) -> Fault:
    detail = (
        f"time {shown(text)} is not RFC 3339; write it like 2026-03-01T12:00:00Z, or send Unix "
        f"seconds as a number without quotes"
    )
    return Fault("bad_time", "time", detail)


def _from_number(value: float, text: str) -> int:
    if not -FARTHEST_S < value < FARTHEST_S:
        return int(value) * 1000
    if abs(value) < 4e-4:
        return 0  # and not through Decimal, which refuses exponents of twenty digits
    context = Context(prec=len(text) + 16)
    scaled = context.multiply(Decimal(text), Decimal(1000))
    return int(scaled.to_integral_value(ROUND_HALF_EVEN))


def _in_bounds(time_ms: int, text: str, *, now_ms: int, rules: WireRules) -> int | Fault:
    latest_ms = now_ms + rules.future_ms
    if rules.earliest_ms <= time_ms <= latest_ms:
        return time_ms
    found = shown(text.encode())
    for factor, unit in ((1000, "milli"), (1_000_000, "micro"), (1_000_000_000, "nano")):
        if text[:1] != '"' and rules.earliest_ms <= time_ms // factor <= latest_ms:
            detail = f"time {found} looks like Unix {unit}seconds; send seconds"
            return Fault("time_unit", "time", f"{detail} (divide by {factor})")
    if time_ms > latest_ms:
        ahead = f"more than {rules.future_ms / 1000:g} s after its arrival"
        detail = f"time {found} is {ahead}; set the gateway's clock"
        return Fault("future", "time", detail)
    earliest = (EPOCH + timedelta(milliseconds=rules.earliest_ms)).isoformat()
    detail = (
        f"time {found} is before {earliest}, the earliest accepted; set the gateway's clock"
    )
    return Fault("before_earliest", "time", detail)
