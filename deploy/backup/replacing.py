"""Putting a new store and archive where others stand, so that no crash leaves the place half done.

What is to change its name is noted beside the store before the first change, and the note goes after the
last. Whoever has the place for himself next, the daemon or another restore, finds it and finishes.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from deploy.backup import files
from deploy.store_error import StoreError

Move = tuple[Path, Path]
"""From one name to another."""

_NOTE = ".restore-cut-short"
_UNFINISHED = ".unfinished"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """What became of a restore that was cut short: finished, or undone; what is kept of what stood there."""

    finished: bool
    aside: tuple[Path, ...]

    @property
    def words(self) -> str:
        """Say it to a person."""
        if not self.finished:
            return "a restore that was cut short is undone: the store of before stands again"
        kept = f"; what stood there is kept as {', '.join(map(str, self.aside))}"
        return f"a restore that was cut short is finished{kept if self.aside else ''}"


class _Note(msgspec.Struct, frozen=True, kw_only=True):
    """What changes its name, in this order: what stands there goes aside, then the new takes its place.

    Paths are relative to the store's folder where they lie in it: it may be mounted elsewhere the next time.
    """

    aside: list[tuple[str, str]]
    into: list[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    aside: Sequence[Move]
    into: Sequence[Move]


def cut_short(store: Path) -> bool:
    """Say whether a restore of a store has begun and was not ended."""
    return note_of(store).exists()


def note_of(store: Path) -> Path:
    """Name the note of a restore."""
    return store.with_name(store.name + _NOTE)


def replace(store: Path, *, aside: Sequence[Move], into: Sequence[Move]) -> None:
    """Put aside what stands there, and the new, which must be whole and safe on disk, in its place.

    Raises
    ------
    OSError
        A name cannot be changed; those that were are as before.
    """
    plan = _Plan(aside=aside, into=into)
    try:
        _write(store, plan)
        _finish(store, plan)
    except OSError:
        _undo(store, plan)
        raise


def settle(store: Path) -> Settled | None:
    """Finish a restore that was cut short, or undo it where the new store is gone; None: there was none.

    Nobody else may have the place of the store meanwhile.

    Raises
    ------
    deploy.store_error.StoreError
        It cannot be done; the next try goes on from there.
    """
    if not cut_short(store):
        return None
    try:
        plan = _read(store)
        finished = _possible(plan)
        (_finish if finished else _undo)(store, plan)
    except (OSError, msgspec.MsgspecError) as error:
        raise StoreError(
            f"a restore of the store {store} was cut short and cannot be finished ({error}); give this user "
            f"the right to read {note_of(store)} and to change names in that folder, or do 'heatbook "
            "restore' again as who did it before"
        ) from error
    kept = tuple(kept for _, kept in plan.aside) if finished else ()
    return Settled(finished=finished, aside=kept)


def _possible(plan: _Plan) -> bool:
    """Say whether all of the new is there still: beside its place, or in it."""
    return all(new.exists() or (_cleared(plan) and place.exists()) for new, place in plan.into)


def _cleared(plan: _Plan) -> bool:
    """Say whether all that stood there is aside; what a power cut has taken needs no moving."""
    return all(kept.exists() or not standing.exists() for standing, kept in plan.aside)


def _finish(store: Path, plan: _Plan) -> None:
    """Make all changes that are not made; each is made once, however often this begins anew."""
    for standing, kept in plan.aside:
        if not kept.exists() and standing.exists():
            standing.rename(kept)
    # Before the new takes the place: no power cut may leave it there, and the old nowhere.
    _sync(plan.aside)
    for new, place in plan.into:
        if new.exists():
            new.rename(place)  # a folder takes the place of an empty one
    _forget(store, plan)


def _undo(store: Path, plan: _Plan) -> None:
    """Take all changes back that were made."""
    cleared = _cleared(plan)
    for new, place in reversed(plan.into):
        if cleared and not new.exists() and place.exists():
            place.rename(new)
    _sync(plan.into)
    for standing, kept in reversed(plan.aside):
        if kept.exists() and not standing.exists():
            kept.rename(standing)
    _forget(store, plan)


def _forget(store: Path, plan: _Plan) -> None:
    _sync((*plan.aside, *plan.into))
    note_of(store).unlink(missing_ok=True)
    files.sync(store.parent)


def _sync(moves: Iterable[Move]) -> None:
    for folder in {path.parent for move in moves for path in move}:
        files.sync(folder)


def _write(store: Path, plan: _Plan) -> None:
    """Note what is to be done; it is there whole, and safe, or not at all."""
    home = store.parent
    note = _Note(
        aside=[(_named(home, old), _named(home, new)) for old, new in plan.aside],
        into=[(_named(home, old), _named(home, new)) for old, new in plan.into],
    )
    unfinished = store.with_name(note_of(store).name + _UNFINISHED)
    with unfinished.open("wb") as file:
        file.write(msgspec.json.encode(note))
        file.flush()
        os.fsync(file.fileno())
    unfinished.rename(note_of(store))
    files.sync(home)


def _read(store: Path) -> _Plan:
    note = msgspec.json.decode(note_of(store).read_bytes(), type=_Note)
    home = store.parent
    return _Plan(
        aside=[(home / old, home / new) for old, new in note.aside],
        into=[(home / old, home / new) for old, new in note.into],
    )


def _named(home: Path, path: Path) -> str:
    return str(path.relative_to(home) if path.is_relative_to(home) else path.absolute())
