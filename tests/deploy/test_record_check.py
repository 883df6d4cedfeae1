"""``heatbook check`` of the service record: what waits, and what the fleet file has lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from deploy.check import check
from deploy.database import beside_daemon
from deploy.desk import desk_of
from deploy.open_book import open_book
from models.units import rfc3339
from review.service_record import drop_pan
from tests.deploy.shop import FLEET_FILE, Shop, open_shop
from tests.deploy.store import NOW_MS


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


def _checked(shop: Shop, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    capsys.readouterr()
    # The shop's store is of a time of its own.
    env = {"HEATBOOK_CLOCK__START": rfc3339(NOW_MS)}
    code = check(shop.config, env=env, try_broker=False, send_notice=False, show_settings=False)
    return code, capsys.readouterr().out


def test_a_sound_record_is_not_spoken_of(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.run("fluid", "NF-01", "slow")
    code, said = _checked(shop, capsys)
    assert code == 0, said
    assert "service record" not in said


def test_entries_that_do_not_count_yet_are_said(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = desk_of(shop.config)
    now_ms = desk.now_ms()
    with open_book(shop.store, desk.fleet, who="Kim", now_ms=now_ms) as book:
        drop_pan(book, "NF-01", now_ms)
    code, said = _checked(shop, capsys)
    assert code == 0
    assert "service record: entries of 1 truck do not count yet" in said


def test_a_fluid_that_the_fleet_file_has_lost_is_a_fault(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.run("fluid", "NF-01", "slow")
    (shop.folder / "fleet.toml").write_text(FLEET_FILE.partition("[fluids")[0])
    code, said = _checked(shop, capsys)
    assert code == 1
    assert "the service record of NF-01 names it" in said
    assert "put [fluids.slow] back into it" in said


def test_a_broken_fleet_file_is_said_once(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.run("filter", "NF-01")
    (shop.folder / "fleet.toml").write_text('[vehicles.NF-01]\nfluid = "none"\n')
    code, said = _checked(shop, capsys)
    assert code == 1
    assert said.count("no fluid is named 'none'") == 1


def test_a_store_from_before_there_was_a_record_is_sound(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    with beside_daemon(shop.store) as tx:
        tx.execute("DROP TABLE service_taken")
    code, said = _checked(shop, capsys)
    assert code == 0, said
