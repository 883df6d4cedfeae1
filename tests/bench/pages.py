"""What a page of many trucks costs the server beside one of few, the board filled beforehand."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

from deploy.clock import monotonic_ms
from models.units import METRIC
from review.access.visitor import Role, Visitor
from review.board import Board
from review.console.house import House
from review.console.today import today
from review.console.visit import Visit
from tests.review.big_fleet import big_reader, big_store
from tests.review.stage import house_of

FEW, MANY = 10, 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Medians [ms] and the size of the page [B]; ``look_ms``: what the board's look at the store took."""

    trucks: int
    page_ms: float
    needs_ms: float
    look_ms: float
    truck_ms: float
    page_bytes: int


def costs(folder: Path, *, rounds: int) -> Iterator[Cost]:
    """Fill a board with few trucks and with many, and ask for Today."""
    for trucks in (FEW, MANY):
        database = big_store(folder / f"{trucks}.db", trucks)
        reader = big_reader(trucks)
        board = Board(database, reader, groups={}, uptime_ms=monotonic_ms)
        filled_s = _took_s(board.refresh)
        # One that is filled already: the house makes a board of its own.
        house = house_of(database, reader_=reader)
        page = _visit(house)
        part = _visit(house, (b"live-part", b"needs"))
        yield Cost(
            trucks=trucks,
            page_ms=_median_ms(rounds, lambda: today(page)),  # noqa: B023 - called at once
            needs_ms=_median_ms(rounds, lambda: today(part)),  # noqa: B023 - called at once
            look_ms=_median_ms(rounds, house.board.look),
            truck_ms=1000.0 * filled_s / trucks,
            page_bytes=len(today(page).body),
        )
        database.close()


def report(few: Cost, many: Cost) -> str:
    """Write the lines."""
    ratio = many.page_ms / few.page_ms
    return (
        f"bench.page: Today of {many.trucks} trucks {many.page_ms:,.0f} ms "
        f"({many.page_bytes:,} bytes), its live part {many.needs_ms:,.1f} ms; of {few.trucks} "
        f"trucks {few.page_ms:,.1f} ms; ratio {ratio:.1f}\n"
        f"bench.board: a look at the store of {many.trucks} trucks {many.look_ms:,.1f} ms, of "
        f"{few.trucks} {few.look_ms:,.1f} ms; a truck is read in {many.truck_ms:,.1f} ms"
    )


def _visit(house: House, *headers: tuple[bytes, bytes]) -> Visit:
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "query_string": b"",
        "headers": list(headers),
    }
    who = Visitor(name="Ines", role=Role.MANAGER, units=METRIC, csrf="x")
    return Visit(house=house, request=Request(scope), visitor=who)


def _median_ms(rounds: int, run: Callable[[], object]) -> float:
    run()
    return 1000.0 * statistics.median(_took_s(run) for _ in range(rounds))


def _took_s(run: Callable[[], object]) -> float:
    began = time.perf_counter()
    run()
    return time.perf_counter() - began
