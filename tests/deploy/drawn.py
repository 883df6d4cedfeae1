"""Accounts to draw, and what stands in a picture."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from review.pictures.account import draw_account
from review.pictures.account_caption import AccountPoint, Forecast, Mark

DAY_MS = 86_400_000
MIDNIGHT_MS = 1_768_435_200_000  # 2026-01-15T00:00:00Z
UTC = ZoneInfo("UTC")
SVG = "{http://www.w3.org/2000/svg}"


def points(days: int, per_day: float) -> list[AccountPoint]:
    return [
        AccountPoint(MIDNIGHT_MS + day * DAY_MS, 0.7 * life, life, 1.4 * life)
        for day in range(days)
        for life in (day * per_day,)
    ]


def account(path: Path) -> str:
    marks = [Mark(MIDNIGHT_MS, "new fluid"), Mark(MIDNIGHT_MS + 30 * DAY_MS, "top-up 1.0 L")]
    forecast = Forecast(
        median_ms=MIDNIGHT_MS + 250 * DAY_MS,
        early_ms=MIDNIGHT_MS + 200 * DAY_MS,
        late_ms=MIDNIGHT_MS + 330 * DAY_MS,
    )
    return draw_account(points(101, 0.004), marks, path, zone=UTC, forecast=forecast)


def root_of(path: Path) -> ET.Element:
    return ET.parse(path).getroot()  # noqa: S314 # we have just written it


def texts(path: Path) -> list[str]:
    return ["".join(text.itertext()) for text in root_of(path).iter(f"{SVG}text")]
