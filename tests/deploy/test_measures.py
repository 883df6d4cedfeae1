"""Numbers and times as people write them: units, commas, dates, zones."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.units import METRIC, US, Units
from review.measures import (
    Both,
    NotUnderstood,
    distance_km,
    moment_ms,
    share,
    temperature_c,
    volume_l,
)
from tests.recorded import HOUR_MS, NOON_MS

DENVER = ZoneInfo("America/Denver")


@pytest.mark.parametrize(
    ("text", "units", "litres"),
    [
        # A US liquid quart is 0.946352946 L, exact (231 cubic inches to the gallon).
        ("5.5qt", METRIC, 5.204941203),
        ("5.5 QT", METRIC, 5.204941203),
        ("5.2L", US, 5.2),
        ("5.2l", US, 5.2),
        ("4", METRIC, 4.0),
        ("4", US, 3.785411784),
        (".5", METRIC, 0.5),
    ],
)
def test_a_volume_is_read_in_its_unit_or_the_fleets(
    text: str, units: Units, litres: float
) -> None:
    assert volume_l(text, units) == pytest.approx(litres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "units", "km"),
    [
        # A statute mile is 1.609344 km, exact (1959).
        ("38000mi", METRIC, 61_155.072),
        ("38,000mi", METRIC, 61_155.072),
        ("61310km", US, 61_310.0),
        ("61310", METRIC, 61_310.0),
        ("1,061,310.5 km", METRIC, 1_061_310.5),
        ("100", US, 160.9344),
    ],
)
def test_a_distance_is_read_in_its_unit_or_the_fleets(
    text: str, units: Units, km: float
) -> None:
    assert distance_km(text, units) == pytest.approx(km, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "units", "celsius"),
    [
        ("200F", METRIC, 93.3333333333),
        ("93C", US, 93.0),
        ("212", US, 100.0),
        ("93", METRIC, 93.0),
        ("-40F", METRIC, -40.0),
        ("93°C", US, 93.0),
        ("200 °f", METRIC, 93.3333333333),
    ],
)
def test_a_temperature_is_read_in_its_unit_or_the_fleets(
    text: str, units: Units, celsius: float
) -> None:
    assert temperature_c(text, units) == pytest.approx(celsius, rel=1e-9)


@pytest.mark.parametrize(
    "text", ["", "5,5", "5.5gal", "five", "1,23L", "qt", "5..5L", "nan", "1e3L"]
)
def test_what_could_mean_two_things_is_not_guessed(text: str) -> None:
    with pytest.raises(NotUnderstood, match="write a volume like"):
        volume_l(text, METRIC)


def test_a_share_may_be_in_per_cent() -> None:
    assert (share("0.55"), share("55%"), share("120 %")) == (0.55, 0.55, 1.2)
    with pytest.raises(NotUnderstood, match=r"write a share like 0\.55 or 55%"):
        share("55 percent")


def test_a_date_alone_is_noon_where_the_fleet_is() -> None:
    # 2026-01-01T12:00Z is NOON_MS; Denver is seven hours behind in winter.
    now_ms = NOON_MS + 30 * 24 * HOUR_MS
    assert moment_ms("2026-01-01", DENVER, now_ms) == NOON_MS + 7 * HOUR_MS
    assert moment_ms("2026-01-01T05:00", DENVER, now_ms) == NOON_MS
    assert moment_ms("2026-01-01T12:00:00Z", DENVER, now_ms) == NOON_MS
    assert moment_ms("2026-01-01T14:30+02:30", DENVER, now_ms) == NOON_MS
    # Summer time: six hours.
    assert moment_ms("2025-07-01", DENVER, now_ms) == moment_ms(
        "2025-07-01T18:00Z", DENVER, now_ms
    )


def test_noon_of_today_is_now_while_it_has_not_come() -> None:
    morning_ms = NOON_MS + 3 * HOUR_MS  # 08:00 in Denver
    assert moment_ms("2026-01-01", DENVER, morning_ms) == morning_ms
    evening_ms = NOON_MS + 10 * HOUR_MS
    assert moment_ms("2026-01-01", DENVER, evening_ms) == NOON_MS + 7 * HOUR_MS
    # Tomorrow stays tomorrow: whoever enters it is told so.
    assert moment_ms("2026-01-02", DENVER, morning_ms) > morning_ms
    # A time is never moved.
    assert moment_ms("2026-01-01T09:00", DENVER, morning_ms) == morning_ms + HOUR_MS


@pytest.mark.parametrize("text", ["yesterday", "16.6.2026", "06/16/2026", "2026-02-30", ""])
def test_what_is_no_time_is_said_with_one_that_is(text: str) -> None:
    with pytest.raises(NotUnderstood, match="write a date, 2026-06-16"):
        moment_ms(text, DENVER, NOON_MS)


def test_measures_are_said_back_in_both_units() -> None:
    assert Both(METRIC).amount(5.2) == "5.2 L (5.5 qt)"
    assert Both(US).amount(5.2) == "5.5 qt (5.2 L)"
    assert Both(METRIC).length(61_310.0) == "61,310 km (38,096 mi)"
    assert Both(US).degrees(93.0) == "199 °F (93 °C)"


@given(st.floats(0.1, 100.0), st.sampled_from([METRIC, US]))
def test_what_was_written_in_one_unit_is_read_in_the_other(litres: float, units: Units) -> None:
    bare = volume_l(f"{litres:.6f}", units)
    suffix = "L" if units is METRIC else "qt"
    assert volume_l(f"{litres:.6f}{suffix}", US if units is METRIC else METRIC) == bare
