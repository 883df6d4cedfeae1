"""Which row of a file supersedes which: labels to places, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ingest import record_cells as cells
from ingest.entry import STRUCK
from ingest.entry_fields import RecordError
from ingest.record_row import Row


class Links:
    """Follows the columns ``id`` and ``supersedes`` of all rows of a file."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self._rows = rows
        self._problems: list[list[RecordError]] = [[] for _ in rows]
        self._newer: dict[int, int] = {}
        labels = self._labels()
        self._targets = [self._target(index, labels) for index in range(len(rows))]
        self._find_circles()

    def target(self, index: int) -> int | None:
        """Give the place of the row that a row supersedes, None when it supersedes none."""
        return self._targets[index]

    def problems(self, index: int) -> list[RecordError]:
        """List what is wrong with the labels of a row."""
        return self._problems[index]

    def _labels(self) -> dict[str, int]:
        found: dict[str, int] = {}
        for index in range(len(self._rows)):
            label = self._label(index, "id")
            if label is None:
                continue
            if label in found:
                first = self._rows[found[label]]
                what = f"{label!r} is the id of {first.place} too"
                self._note(index, "id", what, "give each row an id of its own, or none")
            found.setdefault(label, index)
        return found

    def _target(self, index: int, labels: dict[str, int]) -> int | None:
        label = self._label(index, "supersedes")
        if label is None:
            return None
        target = labels.get(label)
        if target is None:
            mend = "put the entry that is superseded into this file too, with its id"
            self._note(index, "supersedes", f"no row has the id {label!r}", mend)
            return None
        for what, mend in self._misfits(index, target):
            self._note(index, "supersedes", what, mend)
        self._newer.setdefault(target, index)
        return target

    def _misfits(self, index: int, target: int) -> Iterator[tuple[str, str]]:
        row, old = self._rows[index], self._rows[target]
        if _said(row, "vehicle") != _said(old, "vehicle"):
            yield f"{old.place} is of another truck", "strike it out, and enter it anew there"
        if _said(old, "kind") == STRUCK:
            yield f"{old.place} only strikes out another", "enter anew what was done"
        if target in self._newer:
            newer = self._rows[self._newer[target]]
            yield f"{newer.place} supersedes {old.place} already", "supersede that one"

    def _find_circles(self) -> None:
        """Walk from each first entry to what superseded it; what is never met goes in a circle."""
        met: set[int] = set()
        for index, target in enumerate(self._targets):
            step: int | None = index if target is None else None
            while step is not None:
                met.add(step)
                step = self._newer.get(step)
        for index in range(len(self._rows)):
            if index not in met and not self._problems[index]:
                self._note(
                    index,
                    "supersedes",
                    "the rows supersede each other in a circle",
                    "leave it empty in the row that was entered first",
                )

    def _label(self, index: int, column: str) -> str | None:
        value = self._rows[index].values.get(column)
        if value is None:
            return None
        try:
            return cells.label(value)
        except ValueError as error:
            what, _, mend = str(error).partition("; ")
            self._note(index, column, what, mend)
            return None

    def _note(self, index: int, column: str, what: str, mend: str) -> None:
        where = self._rows[index].at(column)
        self._problems[index].append(RecordError(what=what, where=where, mend=mend))


def _said(row: Row, column: str) -> object:
    value = row.values.get(column)
    return value.strip() if isinstance(value, str) else value
