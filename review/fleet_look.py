"""How each truck of a store stands now, read truck by truck, so that no reader holds the store up long."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from models.due import Due
from models.statement import Statement
from review.entry_rules import known_trucks
from review.reading import Reader, Standing, Stored
from review.standing import due_now
from review.store import Readable


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckNow:
    """One truck now; ``last_ms`` is its newest sample [Unix ms], None where none ever came.

    ``account`` and ``due`` are None while it has no account that holds.
    """

    name: str
    standing: Standing
    last_ms: int | None
    account: Statement | None
    due: Due | None


def stored_trucks(database: Readable, reader: Reader) -> Iterator[Stored]:
    """Read every truck that is known, by name."""
    with database.read() as conn:
        names = sorted(known_trucks(conn, reader.fleet))
    for name in names:
        with database.read() as conn:
            stored = reader.truck(conn, name)
        yield stored


def truck_now(stored: Stored, now_ms: int) -> TruckNow:
    """Say how a truck stands."""
    good = stored.held is not None and stored.state is not None
    return TruckNow(
        name=stored.name,
        standing=stored.standing,
        last_ms=stored.held.last_ms if good and stored.held else None,
        account=stored.statement if good else None,
        due=due_now(stored, now_ms) if good else None,
    )
