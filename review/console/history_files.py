"""A truck's samples to take along: a file of a span, written as it is sent."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from threading import BoundedSemaphore
from typing import IO

from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute

from review.access.audit import Deed
from review.console.house import House
from review.console.visit import Visit, route
from review.entry_rules import UnknownTruck
from review.history_export import WINDOW_MS, Detail, Wanted, csv_parts, write_parquet
from review.measures import day
from review.series import LONGEST_SPAN_MS

DETAILS = {"raw": "every sample", "1min": "each minute", "1h": "each hour"}
"""What a line of the file stands for, and how it is called."""

_DETAILS: Mapping[str, Detail] = {"raw": "raw", "1min": "1min", "1h": "1h"}
_MEDIA = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}
_NAMES = {"raw": "samples", "1min": "minutes", "1h": "hours"}
_CHUNK = 1 << 18
_TURNS = BoundedSemaphore(2)
"""So many files are written whole at one time: who asks for many must not take the threads of all pages."""

_AGAIN = "Try again in a moment, or take the file as CSV."
_WRONG = "A file needs a span, a detail and a form: go back to the history and choose there."


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/trucks/{truck}/history/file", file),)


def file(visit: Visit) -> Response:
    """Send a file."""
    asked = visit.request.query_params
    truck = visit.request.path_params["truck"]
    kind = asked.get("form", "csv")
    wanted = _wanted(truck, asked, visit.house.reader.max_gap_ms)
    if wanted is None or kind not in _MEDIA:
        return visit.problem(400, "No such file", _WRONG)
    try:
        with visit.house.store.read() as conn:
            visit.house.reader.truck(conn, truck)
    except UnknownTruck as mistake:
        return visit.problem(404, "No such truck", f"{str(mistake).capitalize()}.")
    name = _name(visit, wanted, kind)
    with visit.house.store.write() as tx:
        visit.audit(tx, Deed.HISTORY_EXPORTED, name)
    parts = _csv(visit, wanted) if kind == "csv" else _parquet(visit.house, wanted)
    if parts is None:
        return visit.problem(503, "Other files are being written", _AGAIN)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(parts, media_type=_MEDIA[kind], headers=headers)


def _wanted(truck: str, asked: Mapping[str, str], max_gap_ms: int) -> Wanted | None:
    detail = _DETAILS.get(asked.get("detail", ""))
    first, last = asked.get("first", ""), asked.get("last", "")
    if detail is None or not (_is_time(first) and _is_time(last)):
        return None
    if not 0 < int(last) - int(first) <= LONGEST_SPAN_MS:
        return None
    return Wanted(
        truck=truck,
        first_ms=int(first),
        last_ms=int(last),
        detail=detail,
        max_gap_ms=max_gap_ms,
    )


def _is_time(text: str) -> bool:
    """Say whether it is Unix ms of a year with four digits, or nearly so."""
    return text.isascii() and text.isdigit() and len(text) <= len("4102444800000")


def _name(visit: Visit, wanted: Wanted, kind: str) -> str:
    zone = visit.visitor.units.zone
    span = f"{day(wanted.first_ms, zone)}_{day(wanted.last_ms, zone)}"
    return f"{wanted.truck}_{span}_{_NAMES[wanted.detail]}.{kind}"


def _csv(visit: Visit, wanted: Wanted) -> Iterator[bytes]:
    """Write week by week, each with a connection of its own: the next may be written by another thread."""
    begin_ms, first = wanted.first_ms, True
    while begin_ms <= wanted.last_ms:
        end_ms = min((begin_ms // WINDOW_MS + 1) * WINDOW_MS - 1, wanted.last_ms)
        part = replace(wanted, first_ms=begin_ms, last_ms=end_ms)
        with visit.house.store.read() as conn:
            lines = [
                text for _, text in csv_parts(conn, part, visit.visitor.units.zone, mark=first)
            ]
        yield b"".join(lines if first else lines[1:])
        begin_ms, first = end_ms + 1, False


def _parquet(house: House, wanted: Wanted) -> Iterator[bytes] | None:
    """Write a file whole before it is sent: its end says where all in it is. None: no turn is free."""
    if not _TURNS.acquire(blocking=False):
        return None
    kept = tempfile.TemporaryFile()  # noqa: SIM115 - it goes when whoever sends it lets go of it
    try:
        with house.store.read() as conn:
            write_parquet(conn, wanted, kept)
    except BaseException:
        kept.close()
        raise
    finally:
        _TURNS.release()
    kept.seek(0)
    return _pieces(kept)


def _pieces(kept: IO[bytes]) -> Iterator[bytes]:
    with kept:
        while chunk := kept.read(_CHUNK):
            yield chunk
