"""The end of a review as people write it: a day, a time, Unix ms, or nothing."""

from __future__ import annotations

import re
import sqlite3
from datetime import date, datetime, time, timedelta, tzinfo

from ingest import record
from review.dossier.span import out_of_the_day
from review.measures import NotUnderstood, moment_ms

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


def end_ms(
    conn: sqlite3.Connection, truck: str, text: str, zone: tzinfo, now_ms: int
) -> int | None:
    """Read the end of a truck's review [Unix ms]; None where nothing is written: its newest sample.

    A day alone is its end; where a gearbox was replaced on it, the one that came out is meant.

    Raises
    ------
    review.measures.NotUnderstood
        It is neither.
    """
    text = text.strip()
    if not text:
        return None
    if text.isascii() and text.isdigit() and len(text) > len("20260616"):
        if len(text) > len("4102444800000"):
            raise NotUnderstood(f"{text[:20]} lies too far ahead; write a day, 2026-06-16")
        return int(text)
    if _DAY.fullmatch(text) is None:
        return moment_ms(text, zone, now_ms)
    moment_ms(text, zone, now_ms)  # says so where it is no day
    day = date.fromisoformat(text)
    start, end = (
        round(datetime.combine(each, time(0), zone).timestamp() * 1000)
        for each in (day, day + timedelta(days=1))
    )
    return out_of_the_day(record.effective(conn, truck, taken_only=True), start, end)
