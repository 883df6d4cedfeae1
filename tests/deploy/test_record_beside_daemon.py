"""Entering in the record while another process writes to the store, which may or may not look."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import structlog

from deploy import desk
from deploy.database import Database, read_only
from deploy.fleet import load_fleet
from ingest import record
from review.model_version import model_version
from review.service_record import drop_pan
from review.trucks import courses_of
from tests.deploy.shop import Shop, open_shop
from tests.deploy.store import pipeline


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


@contextmanager
def daemon(shop: Shop, *, looks: bool) -> Iterator[None]:
    """Hold the store as a daemon does; it looks for entries every 50 ms, or is stuck."""
    database = Database(shop.store)
    trucks = load_fleet(shop.folder / "fleet.toml")
    running = pipeline(
        database,
        courses=courses_of(trucks, max_gap_s=300.0, silent_after_s=900.0),
        model_version=model_version(),
    )
    stop = threading.Event()

    def look() -> None:
        while not stop.wait(0.05):
            running.commit_record()

    thread = threading.Thread(target=look)
    if looks:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        if looks:
            thread.join()
        database.close()


def test_a_daemon_that_runs_counts_it_and_the_command_waits_for_that(shop: Shop) -> None:
    before = shop.life()
    with daemon(shop, looks=True):
        said = shop.run("pan-drop", "NF-01", "--volume", "4.5L")
    assert f"before {before:.0%}" in said
    assert f"now {before * 0.625:.0%}" in said
    assert "does not count yet" not in said
    assert shop.life() == pytest.approx(before * 0.625, rel=1e-9)


def test_an_entry_that_does_not_count_yet_is_said_so(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desk, "PATIENCE_S", 0.1)
    before = shop.life()
    with daemon(shop, looks=False):
        said = shop.run("pan-drop", "NF-01", "--volume", "4.5L")
        assert "It is entered, but does not count yet" in said
        assert "now" not in said.split("Entry 1")[1].split("It is entered")[0]
        assert shop.life() == before
        assert "Some entries do not count yet" in shop.run("show", "NF-01")
        (standing,) = [each for each in shop.json("list") if each["vehicle"] == "NF-01"]
        assert standing["waiting"]
    # The next command that finds no daemon counts it, as the daemon's next start would.
    shop.run("filter", "NF-09")
    assert shop.life() == pytest.approx(before * 0.625, rel=1e-9)


def test_a_mistake_beside_a_daemon_enters_nothing(shop: Shop) -> None:
    with daemon(shop, looks=True):
        done = shop.invoke("pan-drop", "NF-01", "--volume", "99L")
    assert done.exit_code == 1
    assert shop.entries() == 0


def test_two_commands_at_once_both_count(shop: Shop) -> None:
    with daemon(shop, looks=True):
        threads = [
            threading.Thread(target=_enter, args=(shop, truck)) for truck in ("NF-01", "NF-09")
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        with read_only(shop.store) as conn:
            assert record.vehicles(conn) == ["NF-01", "NF-09"]
            assert record.pending(conn) == []


def _enter(shop: Shop, truck: str) -> None:
    opened = desk.desk_of(shop.config, "Kim")
    desk.enter(opened, lambda book: [drop_pan(book, truck, opened.now_ms())])
