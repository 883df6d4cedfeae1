"""Which rows of a file the record holds already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ingest.entry import Entry
from ingest.record_row import Told


def known_again(
    told: Sequence[Told], order: Iterable[int], stored: Sequence[Entry]
) -> dict[int, int]:
    """Find the rows that are in the record: place in the file to id.

    An entry is known by its key, else by all that it says but who entered it and when. Of several
    alike, as many are known as there are; each rather as the one that was signed and corrected
    as it was.

    Parameters
    ----------
    told
        The rows of the file.
    order
        Their places, what is superseded before what supersedes it.
    stored
        Everything in the record of the trucks of the file.
    """
    alike: dict[Any, list[Entry]] = {}
    for entry in stored:
        alike.setdefault(_content(entry), []).append(entry)
    by_key = {entry.key: entry for entry in stored if entry.key is not None}
    newer_rows = {each.supersedes: place for place, each in enumerate(told)}
    newer_entries = {entry.supersedes: entry for entry in stored}
    found: dict[int, int] = {}
    for place in order:
        target = told[place].supersedes
        if target is not None and target not in found:
            continue
        entry = linked(told[place], found)
        candidates = alike.get(_content(entry), [])
        if entry.key in by_key:
            candidates = [each for each in candidates if each is by_key[entry.key]]
        if not candidates:
            continue
        best = candidates[0]
        if len(candidates) > 1:
            row_line = [each.entry for each in _rows_from(place, told, newer_rows)]
            best = max(candidates, key=lambda e: _alike(row_line, _line(e, newer_entries)))
        alike[_content(entry)].remove(best)
        found[place] = best.id or 0
    return found


def linked(told: Told, ids: Mapping[int, int]) -> Entry:
    """Give the entry of a row with the id of what it supersedes."""
    target = told.supersedes
    return replace(told.entry, supersedes=None if target is None else ids[target])


def _content(entry: Entry) -> Any:
    """Give what an entry says, and instead of what; not who entered it, nor when."""
    return (*_says(entry), entry.supersedes)


def _says(entry: Entry) -> Any:
    numbers, words = sorted(entry.numbers.items()), sorted(entry.words.items())
    return entry.vehicle, entry.kind, entry.time_ms, tuple(numbers), tuple(words), entry.note


def _alike(one: Sequence[Entry], other: Sequence[Entry]) -> int:
    """Say how far two entries of one content are alike in their signatures and later corrections."""
    says, signed = (
        [[of(entry) for entry in line] for line in (one, other)] for of in (_says, _signature)
    )
    return (says[0] == says[1]) + (signed[0] == signed[1])


def _signature(entry: Entry) -> Any:
    return entry.who, entry.entered_ms, entry.key


def _line(entry: Entry, newer: Mapping[int | None, Entry]) -> list[Entry]:
    line = [entry]
    while (following := newer.get(line[-1].id)) is not None:
        line.append(following)
    return line


def _rows_from(place: int, told: Sequence[Told], newer: Mapping[int | None, int]) -> list[Told]:
    line = [told[place]]
    while (following := newer.get(place)) is not None:
        place = following
        line.append(told[place])
    return line
