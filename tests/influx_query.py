"""The queries that the stand-in for InfluxDB answers: those of ``ingest/influx_tables.py``, and no others."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from datetime import UTC, datetime

Points = Mapping[tuple[str, str, int], Mapping[str, str]]
"""Fields as they were written, by bucket, series and time [Unix ms]."""

_FLUX = re.compile(
    r'from\(bucket: "(?P<bucket>[^"]+)"\)'
    r" \|> range\(start: (?P<start>[^,]+), stop: (?P<stop>[^)]+)\)"
    r" \|> filter\(fn: \(r\) => (?P<wanted>.+)\)"
    r' \|> drop\(columns: \[(?P<gone>"[^]]+")\]\)'
    r' \|> pivot\(rowKey: \["_time"\], columnKey: \["_field"\], valueColumn: "_value"\)'
)
_TAG = re.compile(r'r\["(?P<key>[^"]+)"\] == "(?P<value>[^"]+)"')
_NAMED = re.compile(r'r\._field == "([^"]+)"')
_SEPARATOR = re.compile(r"(?<!\\)[,]")


def answered(points: Points, flux: str) -> str | None:
    """Give the answer as CSV, a table for each set of tags; None to what is not a query of ours."""
    asked = _FLUX.fullmatch(flux)
    if asked is None:
        return None
    tags = dict(_TAG.findall(asked["wanted"]))
    fields = set(_NAMED.findall(asked["wanted"]))
    gone = set(re.findall(r'"([^"]+)"', asked["gone"]))
    first_ms, end_ms = _ms(asked["start"]), _ms(asked["stop"])
    tables: dict[tuple[tuple[str, str], ...], dict[int, dict[str, str]]] = {}
    for (bucket, series, at_ms), told in sorted(points.items(), key=lambda each: each[0][2]):
        own = _tags(series)
        fits = bucket == asked["bucket"] and first_ms <= at_ms < end_ms
        if not fits or not tags.items() <= own.items():
            continue
        kept = {name: value for name, value in told.items() if not fields or name in fields}
        if kept:
            left = tuple(sorted((key, own[key]) for key in own if key not in gone))
            tables.setdefault(left, {}).setdefault(at_ms, {}).update(kept)
    return "".join(_table(number, *each) for number, each in enumerate(tables.items()))


def _table(
    number: int, tags: tuple[tuple[str, str], ...], rows: Mapping[int, Mapping[str, str]]
) -> str:
    names = sorted({name for row in rows.values() for name in row})
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["", "result", "table", "_time", *(key for key, _ in tags), *names])
    for at_ms, row in rows.items():
        values = [_value(row.get(name, "")) for name in names]
        writer.writerow(
            ["", "_result", number, _moment(at_ms), *(tag for _, tag in tags), *values]
        )
    return out.getvalue() + "\r\n"


def _tags(series: str) -> dict[str, str]:
    measurement, *pairs = _SEPARATOR.split(series)
    found = dict(pair.split("=", 1) for pair in pairs)
    return {"_measurement": measurement, **found}


def _value(written: str) -> str:
    if written.startswith('"'):
        return re.sub(r'\\(["\\])', r"\1", written[1:-1])
    return written.removesuffix("i")


def _ms(told: str) -> int:
    return round(datetime.fromisoformat(told).timestamp() * 1000)


def _moment(at_ms: int) -> str:
    whole, rest = divmod(at_ms, 1000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{rest:03d}Z"
