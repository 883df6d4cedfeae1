"""Entries of a file into the record: what it holds already is known again; all is added, or nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from ingest import record
from ingest.entry import STRUCK, Entry, standing
from ingest.entry_fields import RecordError
from ingest.record_match import known_again, linked
from ingest.record_row import BadRecordFile, Told

Check = Callable[[Entry], object]
"""Raises ValueError (what is wrong, a semicolon, how to mend it) for an entry that does not fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """What came of a file: the entries that were added, and how many were there already."""

    added: tuple[Entry, ...]
    known: int


def bring_in(
    tx: sqlite3.Connection, told: Sequence[Told], *, check: Check | None = None
) -> Brought:
    """Add the entries of a file that the record does not hold yet.

    What is known again: :func:`ingest.record_match.known_again`.

    Parameters
    ----------
    tx
        A transaction on the store.
    told
        What the file tells.
    check
        Asks more of each new entry that counts once all are in, before it is added.

    Raises
    ------
    BadRecordFile
        With everything that is wrong; nothing was added.
    """
    if check is not None:
        # A truck may have been registered after the first of its entries; asked are all alike.
        _tried(tx, _Import(tx, told, check, key=lambda row: told[row].entry.kind != "register"))
    return _tried(tx, _Import(tx, told), keep=True)


def _tried(tx: sqlite3.Connection, attempt: _Import, *, keep: bool = False) -> Brought:
    """Run an import; undo it when it fails, or is not to be kept."""
    tx.execute("SAVEPOINT bring_in")
    undo = True
    try:
        brought = attempt.run()
        undo = not keep
    finally:
        if undo:
            tx.execute("ROLLBACK TO bring_in")
        tx.execute("RELEASE bring_in")
    return brought


class _Import:
    """One file against the record as it stands; rows are added in the file's order, sorted by ``key``."""

    def __init__(
        self,
        tx: sqlite3.Connection,
        told: Sequence[Told],
        check: Check | None = None,
        key: Callable[[int], bool] | None = None,
    ) -> None:
        self._tx = tx
        self._told = told
        self._check = check
        order = sorted(range(len(told)), key=key) if key else range(len(told))
        self._order = [*_oldest_first(told, order)]
        self._overtaken = {each.supersedes for each in told}
        names = {each.entry.vehicle for each in told}
        self._stored = [each for name in names for each in record.history(tx, name)]
        self._ids: dict[int, int] = {}
        self._problems: dict[int, list[RecordError]] = {}

    def run(self) -> Brought:
        self._ids = known_again(self._told, self._order, self._stored)
        known = set(self._ids)
        unmatched = self._unmatched()
        added: dict[int, Entry] = {}
        for index in self._order:
            if index in known or self._waits_in_vain(index):
                continue
            entry = linked(self._told[index], self._ids)
            self._problems[index] = [*self._misfits(index, entry, unmatched)]
            if not self._problems[index]:
                stored = record.add(self._tx, entry)
                added[stored.id or 0] = stored
                self._ids[index] = stored.id or 0
        problems = [
            error for index in sorted(self._problems) for error in self._problems[index]
        ]
        if problems:
            raise BadRecordFile(problems)
        return Brought(added=tuple(added.values()), known=len(self._told) - len(added))

    def _waits_in_vain(self, index: int) -> bool:
        target = self._told[index].supersedes
        return target is not None and target not in self._ids

    def _unmatched(self) -> dict[tuple[str, str, int], Entry]:
        """List what counts in the record and is not in the file, by truck, kind and time."""
        matched = set(self._ids.values())
        left = [each for each in standing(self._stored) if each.id not in matched]
        return {(each.vehicle, each.kind, each.time_ms): each for each in left}

    def _misfits(
        self, index: int, entry: Entry, unmatched: dict[tuple[str, str, int], Entry]
    ) -> Iterator[RecordError]:
        told = self._told[index]
        found = record.problems(self._tx, entry)
        yield from map(told.placed, found)
        if found:
            return
        other = unmatched.get((entry.vehicle, entry.kind, entry.time_ms))
        if other is not None and entry.supersedes is None:
            what = f"entry {other.id} in the record says otherwise of the same work"
            mend = (
                "to correct it, export the record and add a row that supersedes it; if there "
                "were two, give the other its own time of day"
            )
            yield RecordError(what=what, where=told.row.place, mend=mend)
        elif self._check and index not in self._overtaken and entry.kind != STRUCK:
            yield from self._asked(self._check, told, entry)

    def _asked(self, check: Check, told: Told, entry: Entry) -> Iterator[RecordError]:
        try:
            check(entry)
        except RecordError as error:
            yield told.placed(error)
        except ValueError as error:
            what, _, mend = str(error).partition("; ")
            yield RecordError(what=what, where=told.row.place, mend=mend)


def _oldest_first(told: Sequence[Told], order: Iterable[int]) -> Iterator[int]:
    """Keep an order of rows, but put what is superseded before what supersedes it."""
    given: set[int] = set()
    for index in order:
        waiting = []
        step: int | None = index
        while step is not None and step not in given:
            given.add(step)
            waiting.append(step)
            step = told[step].supersedes
        yield from reversed(waiting)
