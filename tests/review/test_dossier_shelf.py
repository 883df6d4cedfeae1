"""Reviews that were made a moment ago are given again, until anything that they rest on has changed."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from alerts import lifecycle
from deploy.database import Database
from deploy.waiting import until
from review.dossier import shelf as shelf_of
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.shelf import AT_ONCE, IN_LINE, KEPT, Busy, Shelf
from review.record_book import Book
from review.service_record import change_filter
from tests.review.desk import STUCK, alarm
from tests.review.failures import at, day, pipeline
from tests.review.northfold_day import END_MS, fleet, reader

UNTIL_MS = at(9_000.0)


def look(shelf: Shelf, database: Database, until_ms: int | None = UNTIL_MS) -> Dossier:
    with database.read() as conn:
        return shelf.review(conn, reader(), "NF-03", until_ms=until_ms)


def test_the_same_is_asked_for_again(tmp_path: Path) -> None:
    with day(tmp_path) as (database, _):
        shelf = Shelf()
        first = look(shelf, database)
        assert look(shelf, database) is first
        assert look(shelf, database, None) is not first
        assert look(shelf, database) is first


def test_only_the_last_few_are_kept(tmp_path: Path) -> None:
    with day(tmp_path) as (database, _):
        shelf = Shelf()
        first = look(shelf, database)
        for step in range(KEPT):
            look(shelf, database, UNTIL_MS + 1000 * (step + 1))
        again = look(shelf, database)
        assert again is not first
        assert again.account == first.account


def test_an_entry_of_the_record_makes_another(tmp_path: Path) -> None:
    with day(tmp_path) as (database, _):
        shelf = Shelf()
        first = look(shelf, database)
        with database.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            change_filter(book, "NF-03", at(4_000.0))
        waiting = look(shelf, database)
        assert waiting is not first
        pipeline(database)
        assert [each.kind for each in look(shelf, database).record] == ["filter"]


def test_an_acknowledgement_makes_another(tmp_path: Path) -> None:
    with day(tmp_path) as (database, _):
        shelf = Shelf()
        first = look(shelf, database)
        with database.write() as tx:
            lifecycle.acknowledge(
                tx, alarm(database, STUCK).id, by="Kim", now_ms=at(5_000.0), comment="on my way"
            )
        found = look(shelf, database)
        assert found is not first
        assert any(each.by == "Kim" for story in found.alarms for each in story.happenings)


def test_few_are_made_at_once_and_the_same_one_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each holds a thread of the pages: a few wait, who comes then is told to come again."""
    made, go = [], threading.Event()
    really = dossier_of

    def slow(*told: Any, **asked: Any) -> Dossier:
        assert go.wait(60.0)
        made.append(told[2])
        return really(*told, **asked)

    monkeypatch.setattr(shelf_of, "dossier_of", slow)
    with day(tmp_path) as (database, _), ThreadPoolExecutor(AT_ONCE + IN_LINE) as pool:
        shelf = Shelf()
        asked = [pool.submit(look, shelf, database) for _ in range(AT_ONCE + IN_LINE)]
        assert until(lambda: shelf._places._value == 0, 60.0)
        with pytest.raises(Busy):
            look(shelf, database)
        go.set()
        found = {id(each.result()) for each in asked}
    assert len(found) <= AT_ONCE
    assert len(made) <= AT_ONCE
