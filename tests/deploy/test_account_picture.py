"""The picture of an account: where it stands, what was done, when it will be due."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from review.pictures.account import draw_account
from review.pictures.account_caption import LISTED, Forecast, Mark
from review.problems import Mistake
from tests.deploy.drawn import DAY_MS, MIDNIGHT_MS, SVG, UTC, account, points, root_of, texts


def test_an_account(tmp_path: Path) -> None:
    told = account(tmp_path / "one.svg")
    written = texts(tmp_path / "one.svg")
    standing = (
        "2026-04-25: 40 % used (80 % band 28 % to 56 %); due by heat about 2026-09-22 "
        "(80 %: 2026-08-03 to 2026-12-11)"
    )
    assert standing in written
    assert standing in told
    assert {"Life used", "now", "80 %", "95 %", "100 %: due", "best estimate"} <= set(written)
    assert {"80 % band", "forecast: median", "forecast: 80 %", "1", "2"} <= set(written)
    assert [line.split() for line in written if "new fluid" in line] == [
        ["1", "2026-01-15", "new", "fluid"]
    ]
    assert "2026-02-14 top-up 1.0 L" in told


def test_another_limit_than_the_whole_life(tmp_path: Path) -> None:
    forecast = Forecast(median_ms=None, early_ms=None, late_ms=None, level=0.6)
    draw_account(points(9, 0.01), [], tmp_path / "one.svg", zone=UTC, forecast=forecast)
    written = texts(tmp_path / "one.svg")
    assert {"48 %", "57 %", "60 %: due"} <= set(written)
    assert "100 %: due" not in written


def test_days_are_those_of_the_fleet(tmp_path: Path) -> None:
    told = draw_account(points(3, 0.01), [], tmp_path / "one.svg", zone=ZoneInfo("Etc/GMT+6"))
    assert "2026-01-14: 0 % used. 2026-01-16: 2 % used" in told


@pytest.mark.parametrize(
    ("forecast", "said_of_it"),
    [
        (
            Forecast(median_ms=None, early_ms=None, late_ms=None),
            "not due as far as is looked ahead",
        ),
        (
            Forecast(median_ms=None, early_ms=MIDNIGHT_MS + 400 * DAY_MS, late_ms=None),
            "due by heat 2027-02-19 at the earliest (80 %), probably later",
        ),
        (
            Forecast(
                median_ms=MIDNIGHT_MS + 900 * DAY_MS,
                early_ms=MIDNIGHT_MS + 400 * DAY_MS,
                late_ms=None,
            ),
            "due by heat about 2028-07-03 (80 %: 2027-02-19 or later)",
        ),
        (
            Forecast(
                median_ms=MIDNIGHT_MS + 40 * DAY_MS,
                early_ms=MIDNIGHT_MS + 40 * DAY_MS,
                late_ms=MIDNIGHT_MS + 40 * DAY_MS,
                reason="age",
            ),
            "due by age about 2026-02-24",
        ),
        (
            Forecast(
                median_ms=MIDNIGHT_MS + DAY_MS,
                early_ms=MIDNIGHT_MS + DAY_MS,
                late_ms=MIDNIGHT_MS + DAY_MS,
                reason="distance",
            ),
            "due by distance",
        ),
    ],
)
def test_forecasts_near_and_far(forecast: Forecast, said_of_it: str, tmp_path: Path) -> None:
    told = draw_account(
        points(21, 0.002), [], tmp_path / "one.svg", zone=UTC, forecast=forecast
    )
    assert told.endswith(f"; {said_of_it}.")
    assert "now" in texts(tmp_path / "one.svg")


def test_many_entries_are_listed_from_the_newest(tmp_path: Path) -> None:
    marks = [Mark(MIDNIGHT_MS + day * DAY_MS, f"entry {day}") for day in range(12)]
    told = draw_account(points(100, 0.001), marks[::-1], tmp_path / "one.svg", zone=UTC)
    listed = [line for line in texts(tmp_path / "one.svg") if "entry" in line]
    assert [line.split()[-1] for line in listed] == [str(day) for day in range(12 - LISTED, 12)]
    assert "and 4 before, marked without a number" in texts(tmp_path / "one.svg")
    assert "2026-01-15 entry 0;" in told


def test_the_numbers_of_one_day_do_not_cover_each_other(tmp_path: Path) -> None:
    marks = [Mark(MIDNIGHT_MS + 50 * DAY_MS, f"entry {nth}") for nth in range(LISTED)]
    draw_account(points(100, 0.001), marks, tmp_path / "one.svg", zone=UTC)
    heights = sorted(
        float(text.attrib["y"])
        for text in root_of(tmp_path / "one.svg").iter(f"{SVG}text")
        if "font-size: 9px" in text.attrib["style"]
    )
    assert len(heights) == LISTED
    assert min(below - above for above, below in pairwise(heights)) > 12.0


def test_a_first_point_alone(tmp_path: Path) -> None:
    draw_account(points(1, 0.001), [], tmp_path / "one.png", zone=UTC)
    with pytest.raises(Mistake, match="no account to draw yet"):
        draw_account([], [], tmp_path / "two.png", zone=UTC)
