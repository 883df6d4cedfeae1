"""Times on the wire: every form, to the nearest millisecond of what was written."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import ROUND_HALF_EVEN, Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ingest.wire import Decoded, WireRules, decode

NOW_MS = 1_772_000_000_000
RULES = WireRules()
NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z


def run(payload: str) -> Decoded:
    return decode("fleet/NF-01/telemetry", payload.encode(), now_ms=NOW_MS, rules=RULES)


def one_time(time: str) -> int:
    decoded = run(f'{{"time":{time},"gear":1}}')
    assert decoded.refused == ()
    return int(decoded.samples["time_ms"][0])


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('"2026-01-01T12:00:00Z"', NOON_MS),
        ('"2026-01-01t12:00:00z"', NOON_MS),
        ('"2026-01-01 12:00:00Z"', NOON_MS),
        ('"2026-01-01T13:30:00+01:30"', NOON_MS),
        ('"2026-01-01T11:00:00-01:00"', NOON_MS),
        ('"2025-12-31T24:00:00Z"', None),
        ('"2026-01-01T12:00:00.250Z"', NOON_MS + 250),
        ('"2026-01-01T12:00:00.2Z"', NOON_MS + 200),
        ('"2026-01-01T12:00:00.123456789Z"', NOON_MS + 123),
        ('"2026-01-01T11:59:59.9999Z"', NOON_MS),
        # RFC 3339 section 5.7: a leap second; Unix time counts it as the next second.
        ('"2016-12-31T23:59:60Z"', 1_483_228_800_000),
        ("1767268800", NOON_MS),
        ("1767268800.0", NOON_MS),
        ("1767268800.25", NOON_MS + 250),
        ("1.7672688e9", NOON_MS),
        ("1767268800.123456", NOON_MS + 123),
    ],
)
def test_forms_of_time(text: str, expected: int | None) -> None:
    if expected is None:
        assert run(f'{{"time":{text},"gear":1}}').refused[0].reason == "bad_time"
    else:
        assert one_time(text) == expected


@pytest.mark.parametrize(
    ("fraction", "expected_ms"),
    [
        ("0005", 0),
        ("0015", 2),
        ("0025", 2),
        ("00050000000001", 1),
        ("00149999999999", 1),
        ("0004999", 0),
        ("1225", 122),
        ("1235", 124),
        ("9995", 1000),
        ("0005000", 0),
    ],
)
def test_half_a_millisecond_goes_to_the_even_one(fraction: str, expected_ms: int) -> None:
    assert one_time(f'"2026-01-01T12:00:00.{fraction}Z"') == NOON_MS + expected_ms
    assert one_time(f'"2026-01-01T14:00:00.{fraction}+02:00"') == NOON_MS + expected_ms
    assert one_time(f"1767268800.{fraction}") == NOON_MS + expected_ms


@given(
    seconds=st.integers(min_value=1_420_070_400, max_value=NOW_MS // 1000 - 1),
    fraction=st.text("0123456789", min_size=1, max_size=12),
    offset_min=st.integers(min_value=-1439, max_value=1439),
)
@example(seconds=1767268800, fraction="0005", offset_min=0)
def test_both_forms_of_time_give_the_nearest_millisecond(
    seconds: int, fraction: str, offset_min: int
) -> None:
    written = f"{seconds}.{fraction}"
    nearest = int((Decimal(written) * 1000).to_integral_value(ROUND_HALF_EVEN))
    zone = timezone(timedelta(minutes=offset_min))
    local = datetime.fromtimestamp(seconds, zone).isoformat()
    assert one_time(written) == nearest
    assert one_time(f'"{local[:19]}.{fraction}{local[19:]}"') == nearest


def test_the_bounds_of_time_are_closed() -> None:
    for time_ms in (NOW_MS + RULES.future_ms, RULES.earliest_ms):
        assert one_time(f"{time_ms / 1000:.3f}") == time_ms
    ahead = f'{{"time":{(NOW_MS + RULES.future_ms + 1) / 1000:.3f},"gear":1}}'
    before = f'{{"time":{(RULES.earliest_ms - 1) / 1000:.3f},"gear":1}}'
    assert run(ahead).refused[0].reason == "future"
    assert run(before).refused[0].reason == "before_earliest"
