"""``heatbook fleet`` list, due and show: what is known of a truck, and how it is said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import structlog

from deploy.card import card, card_lines
from deploy.database import Database, read_only
from deploy.desk import desk_of
from models.fleet import CHART
from models.histogram import BINS
from models.units import METRIC, US, Units
from review.account_bands import BAND_EDGES_C
from review.standing import due_date, due_interval
from tests.deploy.shop import DAYS, FLEET_FILE, Shop, open_shop
from tests.recorded import HOUR_MS, NOON_MS

MAY_MS = NOON_MS + 120 * 24 * HOUR_MS
JULY_MS = NOON_MS + 180 * 24 * HOUR_MS


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    yield open_shop(tmp_path)
    structlog.reset_defaults()


def _card(shop: Shop, truck: str = "NF-01") -> Any:
    desk = desk_of(shop.config)
    with read_only(desk.store) as conn:
        stored = desk.reader.truck(conn, truck)
    return card(stored, CHART, desk.now_ms())


def _told(shop: Shop, units: Units, **account: Any) -> dict[str, str]:
    """Give a card's lines, with other figures in its account."""
    found = _card(shop)
    changed = replace(found.standing.account, **account)
    standing = replace(found.standing, account=changed)
    return dict(card_lines(replace(found, standing=standing), units))


def test_the_list_gives_an_interval_a_date_and_what_is_missing(shop: Shop) -> None:
    shown = shop.run("list")
    first, second = shop.json("list")
    assert [first["vehicle"], second["vehicle"]] == ["NF-01", "NF-09"]
    account = first["account"]
    assert account["life_low"] <= account["life_used"] <= account["life_high"]
    assert f"{account['life_low']:.0%}–{account['life_high']:.0%}" in shown
    assert "Quarry run" in shown
    assert "(not in the fleet file)" in shown
    assert first["due"]["reason"] in shown
    assert "NF-02" not in shown


def test_the_list_is_no_wider_than_it_need_be(shop: Shop) -> None:
    rows = shop.invoke("list", columns=200).output.splitlines()
    assert 60 < max(map(len, map(str.rstrip, rows))) < 100
    assert all(len(row) <= 80 for row in shop.invoke("list", columns=80).output.splitlines())


def test_a_card_says_that_the_fleet_file_does_not_name_the_truck(shop: Shop) -> None:
    assert "not in the fleet file" in shop.run("show", "NF-09")
    assert "not in the fleet file" not in shop.run("show", "NF-01")


def test_a_card_says_what_the_circuit_is_fitted_with(shop: Shop) -> None:
    words = ("circuit", "NF-01", "--circuit", "radiator_tank", "--air-cooler")
    shop.run(*words, "--at", "2026-01-04T09:30")
    assert "radiator tank with air cooler, " in shop.run("show", "NF-01")
    (told,) = shop.json("show", "NF-01")
    assert told["fittings"] == ["air_cooler"]


def test_where_there_is_nothing_that_is_said_and_no_table_drawn(tmp_path: Path) -> None:
    shop = Shop(folder=tmp_path)
    shop.config.write_text(f'[store]\npath = "{shop.store}"\n')
    Database(shop.store).close()
    for command in ("list", "due"):
        assert shop.run(command) == "no truck was heard yet "
    shop.run("register", "NF-05")
    shop.run("strike", "1", "--note", "sold")
    assert "registered" in shop.run("history", "NF-05")
    heard = open_shop(tmp_path)
    assert "Nothing is entered of NF-09 yet" in heard.run("history", "NF-09")


def test_due_lists_the_first_service_first(shop: Shop) -> None:
    # Half-way through its life already, so due before the other.
    shop.run("install", "NF-09", "--life-used", "90%", "--at", "2026-01-01T00:00Z")
    found = shop.json("due")
    assert [each["vehicle"] for each in found] == ["NF-09", "NF-01"]
    times = [each["median_ms"] for each in found]
    assert times == sorted(times)
    shown = shop.run("due")
    assert shown.index("NF-09") < shown.index("NF-01")


def test_a_service_that_is_overdue_says_since_when(shop: Shop) -> None:
    shop.run("install", "NF-01", "--life-used", "1.2", "--at", "2026-01-01T00:00Z")
    (due,) = [each for each in shop.json("due") if each["vehicle"] == "NF-01"]
    assert due["overdue"]
    assert "since " in shop.run("due")
    assert "Service due since" in shop.run("show", "NF-01")


def test_a_card_holds_all_that_a_technician_asks_for(shop: Shop) -> None:
    shop.run("pan-drop", "NF-01", "--volume", "4.5L", "--at", "2026-01-02T23:00Z", "--filter")
    shown = shop.run("show", "NF-01")
    (found,) = shop.json("show", "NF-01")
    account = found["standing"]["account"]
    for words in (
        f"{account['life_used']:.0%} (8 in 10: {account['life_low']:.0%} to",
        "a laboratory sample tells more than anything else",
        f"{account['antioxidant_left']:.0%} left",
        "by what was measured",
        "parked while hot (estimated)",
        "running unseen (estimated)",
        "mean kinetic",
        "hottest 125 °C",
        "79–93 °C",
        "above 121 °C",
        "Below 65 °C",
        "may be off by 2 °C",
        "unseen",
        "the last 2 January 2026",
        "pan drops on this fill: 1",
        "filter 2 January 2026",
        "Service due",
    ):
        assert words in shown, words
    assert found["services"]["pan_drops"] == 1
    assert len(account["bins"]) == BINS


def test_the_bands_hold_all_the_time_that_was_seen(shop: Shop) -> None:
    found = _card(shop)
    assert len(found.hours_by_band) == len(BAND_EDGES_C) + 1
    assert sum(found.hours_by_band) == pytest.approx(sum(found.standing.account.bins) / 3600.0)
    # From 80 °C by 0.15 K a minute: up to 200 °F, to 225 °F, to 250 °F [min].
    expected = [(200.0 - 176.0) / 1.8 / 0.15, 25.0 / 1.8 / 0.15, 25.0 / 1.8 / 0.15]
    hours = [minutes / 60.0 * DAYS for minutes in expected]
    assert found.hours_by_band == pytest.approx(
        [0.0, 0.0, *hours, 299.0 / 60.0 * DAYS - sum(hours)], abs=0.05
    )


def test_what_a_sensor_check_found_is_said(shop: Shop) -> None:
    told = _told(shop, US, nights=12, offset_k=-1.6, offset_sd_k=0.9, faulty_nights=2)
    assert (
        "reads too low by 3 °F, give or take 2 °F, by 12 nights parked cold" in told["Sensor"]
    )
    assert "On 2 nights it was off too far to be believed" in told["Sensor"]


def test_a_sensor_that_reads_right_is_not_said_to_be_off_by_nothing(shop: Shop) -> None:
    told = _told(shop, METRIC, nights=1, offset_k=0.2, offset_sd_k=0.9)
    assert "reads right, as far as can be told, give or take 1 °C, by 1 night" in told["Sensor"]


def test_how_good_the_estimate_of_cooling_was_is_said(shop: Shop) -> None:
    assert "not checked yet" in _told(shop, METRIC, soak_checks=0)["Parked"]
    told = _told(shop, METRIC, soak_checks=56, soak_off_k=2.1, soak_off_sd_k=3.2)
    words = "checked at 56 starts: on average the fluid was 2 °C cooler than expected, give or take 3 °C"
    assert words in told["Parked"]
    told = _told(shop, US, soak_checks=1, soak_off_k=-5.0, soak_off_sd_k=0.0)
    assert told["Parked"].endswith(
        "checked at 1 start: on average the fluid was 9 °F warmer than expected"
    )


def test_a_distance_without_an_odometer_says_so(shop: Shop) -> None:
    words = "no odometer was read, so distance is by speed alone"
    assert words in _told(shop, METRIC, odometer_read=False)["Distance"]
    assert words not in _told(shop, METRIC, odometer_read=True)["Distance"]


def test_a_used_up_antioxidant_and_a_broken_counter_are_said(shop: Shop) -> None:
    found = _card(shop)
    account = replace(
        found.standing.account,
        antioxidant_left=0.2,
        oxidation=0.1,
        odometer_breaks=3,
        odometer_blind_breaks=1,
        odometer_break_ms=NOON_MS,
        odometer_rollovers=2,
        odometer_stuck=0,
        odometer_wild=1,
        mean_kinetic_temp_c=math.nan,
        seen_hours=0.0,
    )
    changed = replace(found, standing=replace(found.standing, account=account), cold=None)
    told = dict(card_lines(changed, METRIC))
    assert "used up, the fluid oxidises faster since" in told["Antioxidant"]
    for words in (
        "the odometer went on from another value 3 times, last 1 January 2026",
        "over 1 of these no speed told how far the truck went: that distance is missing",
        "the odometer rolled over 2 times",
        "1 reading of the odometer not believed",
    ):
        assert words in told["Distance"]
    assert "stood still" not in told["Distance"]
    assert "Temperature" not in told


def test_pictures_are_drawn_and_said(shop: Shop) -> None:
    shop.run("pan-drop", "NF-01", "--at", "2026-01-02T23:00Z")
    life, heat = shop.folder / "life.svg", shop.folder / "heat.png"
    said = shop.run("show", "NF-01", "--picture", str(life), "--histogram", str(heat))
    assert f"{life} shows: " in said
    assert f"{heat} shows: " in said
    assert "pan drop" in life.read_text()
    assert heat.read_bytes().startswith(b"\x89PNG")


def test_a_title_is_never_read_as_markup_nor_steers_the_terminal(tmp_path: Path) -> None:
    fleet = '[vehicles.NF-01]\nname = "[red]Quarry[/x] \\u001b[2Jrun"\n'
    shop = open_shop(tmp_path, fleet=fleet)
    for words in (("list",), ("show", "NF-01"), ("due",)):
        output = shop.invoke(*words, columns=160).output
        assert "\x1b[2J" not in output
        if words[0] != "due":
            assert "[red]Quarry[/x] \\x1b[2Jrun" in output


def test_the_words_are_in_the_units_people_chose(tmp_path: Path) -> None:
    units = '[fleet.units]\ndistance = "mi"\nvolume = "qt"\ntemperature = "F"\n'
    shown = open_shop(tmp_path, more=units).run("show", "NF-01")
    assert "12.7 qt in all" in shown
    assert "257 °F" in shown
    assert " mi on this fill" in shown
    assert " km" not in shown
    assert "°C" not in shown


@pytest.mark.parametrize(
    ("times", "overdue", "date", "interval"),
    [
        ((NOON_MS, NOON_MS, NOON_MS), True, "since 2026-01-01", "due now"),
        ((NOON_MS, NOON_MS, NOON_MS), False, "2026-01-01", ""),
        ((MAY_MS, NOON_MS, JULY_MS), False, "2026-05-01", "2026-01-01 to 2026-06-30"),
        ((MAY_MS, NOON_MS, None), False, "2026-05-01", "2026-01-01 to later"),
        ((None, NOON_MS, None), False, "not in 5 years", "2026-01-01 to later"),
        ((None, None, None), False, "not in 5 years", ""),
    ],
)
def test_a_date_that_is_not_known_is_not_made_up(
    shop: Shop,
    times: tuple[int | None, int | None, int | None],
    overdue: bool,
    date: str,
    interval: str,
) -> None:
    median_ms, early_ms, late_ms = times
    due = replace(
        _card(shop).standing.due,
        overdue=overdue,
        median_ms=median_ms,
        early_ms=early_ms,
        late_ms=late_ms,
    )
    assert (due_date(due, METRIC), due_interval(due, METRIC)) == (date, interval)


def test_a_card_says_what_is_known_of_the_circuit_and_then_each_standing_alarm(
    shop: Shop,
) -> None:
    shown = shop.run("show", "NF-01")
    (found,) = shop.json("show", "NF-01")
    circuit = found["standing"]["circuit"]
    assert sum(circuit["causes"].values()) == pytest.approx(1.0)
    assert "lockup slip" in circuit["missing"]
    for words in ("Cooler flow", "Missing now", "Learned"):
        assert words in shown
    assert shown.index("Next service") < shown.index("Do now")
    assert shown.count("Do now") == shown.count("How sure") > 0


def test_the_groups_of_a_truck_stand_on_its_card(tmp_path: Path) -> None:
    grouped = FLEET_FILE.replace(
        "life_used_at_start", 'groups = ["yard", "recovery"]\nlife_used_at_start'
    )
    shop = open_shop(tmp_path, fleet=grouped)
    assert "Groups recovery, yard" in shop.run("show", "NF-01")
    (card_,) = shop.json("show", "NF-01")
    assert card_["groups"] == ["recovery", "yard"]
    assert "Groups" not in shop.run("show", "NF-09")
    structlog.reset_defaults()
