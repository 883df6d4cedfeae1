"""The fills of a truck: one fluid after the other."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from ingest.held import NEVER_MS
from ingest.record import Entry
from models.layout import record
from models.statement import statement
from review.api.answering import answered
from review.api.asking import Reads
from review.api.history_shapes import Fill, Fills
from review.api.operation import reads
from review.api.parameters import TruckName
from review.api.shape import moment_or_none
from review.api.truck_shapes import Account
from review.api.truck_written import account_shape
from review.past import state_at
from review.reading import Reader, Stored
from review.trucks import at_first, installed, vehicle_of

router = APIRouter(tags=["trucks"])

_BEGINS = frozenset({"install", "exchange", "fluid_change", "gearbox"})
"""Kinds of entries that begin a fill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    by: str
    entry_id: int | None
    from_ms: int | None
    fluid: str


@reads(router, "/trucks/{truck}/fills", Fills, problems=(404,))
def list_fills(ask: Reads, truck: TruckName) -> Response:
    """List the fills of a truck, the newest first, each with its account when it went out.

    An exchange, another fluid, another gearbox and a dated installation begin one; a pan drop does not.
    """
    with ask.house.store.read() as conn:
        stored = ask.house.reader.truck(conn, truck)
        begun = list(_begun(ask.house.reader, stored))
        ends_ms = [*(each.from_ms for each in begun[1:]), None]
        fills = [
            _fill(conn, stored, each, end_ms)
            for each, end_ms in zip(begun, ends_ms, strict=True)
        ]
    fills.reverse()
    return answered(ask.request, Fills(truck=truck, fills=fills))


def _begun(reader: Reader, stored: Stored) -> Iterator[_Begun]:
    first = at_first(reader.fleet, stored.name, stored.entries)
    entries = sorted((*installed(first), *stored.entries), key=lambda each: each.time_ms)
    found = [each for each in entries if each.kind in _BEGINS]
    if not found or found[0].kind != "install":
        yield _Begun(by="first sample", entry_id=None, from_ms=None, fluid=first.fluid)
    for each in found:
        until = [one for one in stored.entries if one.time_ms <= each.time_ms]
        yield _Begun(
            by=each.kind,
            entry_id=each.id,
            from_ms=None if each.time_ms == NEVER_MS else each.time_ms,
            fluid=_fluid(reader, stored.name, until),
        )


def _fluid(reader: Reader, truck: str, entries: list[Entry]) -> str:
    return vehicle_of(reader.fleet, truck, entries).fluid


def _fill(conn: sqlite3.Connection, stored: Stored, begun: _Begun, end_ms: int | None) -> Fill:
    return Fill(
        begun_by=begun.by,
        entry_id=begun.entry_id,
        from_at=moment_or_none(begun.from_ms),
        until_at=moment_or_none(end_ms),
        fluid=begun.fluid,
        account=_account(conn, stored, end_ms),
    )


def _account(conn: sqlite3.Connection, stored: Stored, end_ms: int | None) -> Account | None:
    if stored.held is None or stored.state is None:
        return None
    if end_ms is None:
        return account_shape(stored.statement)
    state = state_at(conn, stored.held, end_ms)
    params = stored.course.now(state)
    return account_shape(statement(params.account, record(state).truck.account))
