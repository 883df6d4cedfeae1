"""``heatbook fleet``: entering in the service record with no daemon, in the words of whoever types."""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from deploy.clock import wall_ms
from deploy.database import read_only
from deploy.desk import login_name
from ingest import record
from tests.deploy.shop import Shop, open_shop

US = '[fleet.units]\ndistance = "mi"\nvolume = "qt"\ntemperature = "F"\n'


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


def test_a_pan_drop_says_back_what_was_understood_and_what_came_of_it(shop: Shop) -> None:
    before = shop.life()
    said = shop.run(
        "pan-drop",
        "NF-01",
        "--volume",
        "5.5qt",
        "--filter",
        "--odometer",
        "31,310mi",
        "--at",
        "2026-01-04",
        "--who",
        "Kim",
        "--note",
        "plug was weeping",
    )
    assert (
        "Entry 1: NF-01, pan drop, 2026-01-04 12:00 MST, by Kim: 5.2 L (5.5 qt) of new fluid, "
        "filter changed, at 50,389 km (31,310 mi). Note: plug was weeping"
    ) in said
    # 5.5 quarts of 12 L: the share 1 - 5.5 * 0.946352946 / 12 stays.
    after = shop.life()
    assert after == pytest.approx(before * (1.0 - 5.5 * 0.946352946 / 12.0), rel=1e-9)
    assert f"before {before:.0%}" in said
    assert f"now {after:.0%}" in said
    assert said.count("Caution:") == 1
    with read_only(shop.store) as conn:
        (entry,) = record.effective(conn, "NF-01", taken_only=True)
    assert entry.who == "Kim"


def test_bare_numbers_are_in_the_fleets_units(tmp_path: Path) -> None:
    shop = open_shop(tmp_path, more=US)
    said = shop.run("pan-drop", "NF-01", "--volume", "4.5", "--odometer", "31310")
    assert "4.5 qt (4.3 L) of new fluid, at 31,310 mi (50,389 km)" in said
    said = shop.run("circuit", "NF-01", "--opens-at", "170", "--full-at", "195")
    assert "valve opens at 170 °F (77 °C), fully open at 195 °F (91 °C)" in said


def test_the_login_name_signs_and_now_is_when(shop: Shop) -> None:
    shop.run("filter", "NF-01")
    with read_only(shop.store) as conn:
        (entry,) = record.history(conn, "NF-01")
    assert entry.who == getpass.getuser()
    assert 0 <= entry.entered_ms - entry.time_ms < 60_000
    assert abs(wall_ms() - entry.entered_ms) < 60_000


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (
            ("install", "NF-01", "--life-used", "20%", "--fluid", "slow"),
            "fill dated, {}: fluid slow, fluid had used 20% of its life",
        ),
        (
            ("exchange", "NF-01"),
            "fluid exchanged, {}. No volume was given: all 12.0 L (12.7 qt)",
        ),
        (("pan-drop", "NF-01"), "pan drop, {}. No volume was given: 4.5 L (4.8 qt) of 12.0 L"),
        (("filter", "NF-01"), "filter changed, {}."),
        (
            ("top-up", "NF-01", "--volume", "0.5L"),
            "topped up, {}: 0.5 L (0.5 qt) of new fluid.",
        ),
        (("fluid", "NF-01", "slow"), "other fluid, {}: fluid slow."),
        (
            ("gearbox", "NF-01", "--class", "heavy", "--total", "20L", "--life-used", "0.1"),
            "gearbox replaced, {}: class heavy, fluid had used 10% of its life, 20.0 L (21.1 qt)",
        ),
        (
            ("circuit", "NF-01", "--circuit", "full_flow", "--cooler", "tube_and_fin"),
            "circuit changed, {}: circuit full flow, cooler tube and fin.",
        ),
        (
            ("circuit", "NF-01", "--circuit", "coolant_exchanger", "--coolant-valve"),
            "circuit changed, {}: circuit coolant exchanger, with coolant valve.",
        ),
        (
            ("circuit", "NF-01", "--no-air-cooler"),
            "circuit changed, {}: no air cooler after the tank.",
        ),
    ],
    ids=lambda words: words[0] if isinstance(words, tuple) else "",
)
def test_each_kind_of_work_is_entered_and_counts(
    shop: Shop, words: tuple[str, ...], expected: str
) -> None:
    said = shop.run(*words, "--at", "2026-01-04T09:30", "--who", "Kim")
    assert expected.format("2026-01-04 09:30 MST, by Kim") in said
    with read_only(shop.store) as conn:
        assert record.pending(conn) == []
        assert len(record.effective(conn, "NF-01", taken_only=True)) == 1


def test_a_truck_is_registered_and_known_from_then_on(shop: Shop) -> None:
    said = shop.run(
        "register", "NF-09", "--name", "Rented", "--total", "9.5", "--circuit", "full_flow"
    )
    assert "NF-09, registered" in said
    (standing,) = [each for each in shop.json("list") if each["vehicle"] == "NF-09"]
    assert (standing["title"], standing["registered"]) == ("Rented", True)


def test_a_truck_is_registered_before_the_daemon_ever_ran(tmp_path: Path) -> None:
    (tmp_path / "heatbook.toml").write_text(f'[store]\npath = "{tmp_path}/heatbook.db"\n')
    shop = Shop(folder=tmp_path)
    assert "It counts with the truck's first sample" in shop.run("register", "NF-09")
    assert "no sample of it was ever taken in" in shop.run("show", "NF-09", code=1)
    structlog.reset_defaults()


def test_a_preview_shows_three_drops_and_enters_nothing(shop: Shop) -> None:
    before = shop.life()
    said = shop.run("pan-drop", "NF-01", "--volume", "4.5L", "--preview")
    assert "pan drops of 4.5 L (4.8 qt) out of 12.0 L (12.7 qt) in all" in said
    # (1 - 4.5/12)^n: the table of partial drains, .6250 .3906 .2441, five drops to 90 % new.
    for share in ("62.5%", "39.1%", "24.4%"):
        assert share in said
    for left in (0.625, 0.390625, 0.244140625):
        assert f"{before * left:.1%}" in said
    assert "It takes 5 until 90% of the fluid is new" in said
    assert "never at new" in said
    assert "Nothing was entered" in said
    assert said.count("Caution:") == 1
    assert shop.entries() == 0
    shop.run("pan-drop", "NF-01", "--volume", "4.5L")
    assert shop.life() == pytest.approx(before * 0.625, rel=1e-9)


def test_back_dated_work_runs_the_account_again(shop: Shop) -> None:
    before = shop.life()
    shop.run("install", "NF-01", "--at", "2026-01-02T00:00Z", "--life-used", "0")
    after = shop.life()
    # Two of three days are left, and nothing of what the fluid file says it had used.
    assert after < before - 0.4
    assert after > 0.0
    shop.run("install", "NF-01", "--at", "2026-01-03T00:00Z", "--life-used", "0")
    assert 0.0 < shop.life() < 0.6 * after


def test_corrections_and_striking_out(shop: Shop) -> None:
    before = shop.life()
    shop.run("pan-drop", "NF-01", "--volume", "9L")
    said = shop.run("correct", "1", "--volume", "4.5L", "--no-filter", "--who", "Lee")
    assert "Entry 2: NF-01, pan drop (instead of entry 1)" in said
    assert "Caution" not in said
    assert shop.life() == pytest.approx(before * 0.625, rel=1e-9)
    said = shop.run("strike", "2", "--note", "it was NF-02")
    assert "Entry 3: NF-01, entry 2 is struck out" in said
    assert shop.life() == pytest.approx(before, rel=1e-12)
    shown = shop.run("history", "NF-01")
    for words in (
        "counts no longer, superseded by entry 2",
        "instead of entry 1",
        "struck out by entry 3",
        "strikes out entry 2; it was NF-02",
        "Lee",
    ):
        assert words in shown
    listed = {each["id"]: each for each in shop.json("history", "NF-01")}
    assert [listed[number]["counts"] for number in (1, 2, 3)] == [False, False, False]
    assert listed[None]["who"] == "fleet file"
    assert listed[1]["superseded_by"] == 2
    assert listed[2]["numbers"] == {"filter": 0.0, "volume_l": 4.5}


def test_what_has_no_option_of_its_own_is_corrected_by_name(shop: Shop) -> None:
    shop.run("circuit", "NF-01", "--circuit", "full_flow")
    shop.run(
        "correct", "1", "--set", "circuit=radiator_tank", "--set", "thermostat_open_c=79.5"
    )
    (entry,) = [each for each in shop.json("history", "NF-01") if each["counts"] and each["id"]]
    assert entry["words"] == {"circuit": "radiator_tank"}
    assert entry["numbers"] == {"thermostat_open_c": 79.5}


def test_every_line_fits_a_terminal_of_80_columns(shop: Shop) -> None:
    long = "a long note of many words, " * 10
    shop.run("pan-drop", "NF-01", "--volume", "5.5qt", "--who", "K" * 60, "--note", long)
    for words in (
        ("list",),
        ("history", "NF-01"),
        ("pan-drop", "NF-01", "--preview"),
        ("show", "NF-01"),
        ("due",),
        ("filter", "NF-01", "--note", long),
    ):
        output = shop.invoke(*words).stdout
        assert max(len(line) for line in output.splitlines()) <= 80, words


def test_a_process_without_a_login_name_signs_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise OSError("No username set in the environment")

    monkeypatch.setattr(getpass, "getuser", nobody)
    assert login_name() == "unknown user"


def test_a_counter_that_does_not_fit_the_trucks_own_is_doubted(shop: Shop) -> None:
    said = shop.run("exchange", "NF-01", "--odometer", "500km", "--at", "2026-01-03T20:00Z")
    assert "The truck's own counter stood at 50,299 km" in said
    assert "500 km (311 mi) does not fit and is left out of the distance" in said
    (found,) = [each for each in shop.json("list") if each["vehicle"] == "NF-01"]
    assert found["account"]["distance_km"] < 1.0
    fits = shop.run("exchange", "NF-01", "--odometer", "50300km", "--at", "2026-01-03T20:00Z")
    assert "does not fit" not in fits
