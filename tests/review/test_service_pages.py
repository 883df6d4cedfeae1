"""Recording a service on the console: shown before, entered once, mended after; over the invented day.

What a page says an entry will do is held against what the daemon's own pipeline makes of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.record import Entry
from models.units import US
from review.record_book import Book, add_entry
from review.service_outlook import outlook
from review.standing import due_now
from tests.review.desk import HERE, TRUCK, audited, count, entries, form_of, forms, send
from tests.review.northfold_day import END_MS, fleet, reader
from tests.review.stage import Stage, stage

HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A console at which nothing is changed."""
    with stage(tmp_path_factory.mktemp("still")) as opened:
        yield opened


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def test_a_pan_drop_of_today_takes_two_taps_on_the_page_and_says_before_what_it_does(
    at: Stage,
) -> None:
    choose = at.client.get(HERE)
    assert choose.text.index("Pan drop") < choose.text.index("Full exchange")
    look = at.client.get(f"{HERE}/pan_drop")
    assert "the usual share of 5.2 L out of 14.0 L" in look.text
    life = re.findall(r"Life used</th><td>(\d+)%.*?<b>(\d+)%", look.text)
    (form,) = forms(look, f"{HERE}/pan_drop")
    answer = send(at.client, form, act="enter")
    assert answer.status_code == 303
    (entry,) = entries(at.database)
    assert (entry.kind, entry.who, entry.time_ms) == ("pan_drop", "Ines", END_MS)
    assert entry.numbers == {}
    done = at.client.get(answer.headers["location"]).text
    assert "It waits to be counted" in done
    assert re.findall(r"Life used</th><td>(\d+)%.*?<b>(\d+)%", done) == life
    assert audited(at.database) == [("service.recorded", "Ines")]
    count(at.database)
    at.house.board.refresh()
    done = at.client.get(answer.headers["location"]).text
    assert "It is counted" in done
    assert re.findall(r"Life used</th><td>(\d+)%.*?<b>(\d+)%", done) == life
    assert f"<b>{life[0][1]}%</b>" in done


def test_a_second_tap_enters_nothing_twice(at: Stage) -> None:
    form = form_of(at.client, "pan_drop")
    answers = [send(at.client, form, act="enter") for _ in range(3)]
    assert {answer.status_code for answer in answers} == {303}
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert len(entries(at.database)) == 1
    assert audited(at.database) == [("service.recorded", "Ines")]


def test_what_was_changed_after_it_was_shown_is_shown_again_first(at: Stage) -> None:
    form = form_of(at.client, "pan_drop")
    answer = send(at.client, form, act="enter", volume_l="4.5L", filter="1")
    assert answer.status_code == 200
    assert "You changed something" in answer.text
    assert entries(at.database) == []
    (again,) = forms(answer, f"{HERE}/pan_drop")
    assert send(at.client, again, act="enter").status_code == 303
    (entry,) = entries(at.database)
    assert entry.numbers == {"volume_l": 4.5, "filter": 1.0}


def test_the_same_work_entered_before_is_pointed_out(at: Stage) -> None:
    send(at.client, form_of(at.client, "pan_drop"), act="enter")
    page = at.client.get(f"{HERE}/pan_drop")
    assert "There is one already" in page.text
    assert f"{HERE}/entry/1" in page.text
    (form,) = forms(page, f"{HERE}/pan_drop")
    assert send(at.client, form, act="enter").status_code == 303
    assert len(entries(at.database)) == 1  # the very same, at the same minute
    shown = send(at.client, form, act="look", time="2026-06-16T13:00")
    (form,) = forms(shown, f"{HERE}/pan_drop")
    assert send(at.client, form, act="enter").status_code == 303
    assert len(entries(at.database)) == 2  # it may be done twice in a day


@pytest.mark.parametrize(
    ("kind", "field", "written", "said"),
    [
        ("pan_drop", "volume_l", "a lot", "write a volume like 4.5L or 5qt"),
        ("pan_drop", "volume_l", "4.5 gallons", "has no unit that is known"),
        ("pan_drop", "volume_l", "15L", "are more than the 14.0 L"),
        ("pan_drop", "volume_l", "200L", "Give 0.05 L to 100 L"),
        ("pan_drop", "volume_l", "-1", "-1 L cannot be"),
        ("pan_drop", "odometer_km", "far", "write a distance like 61310km"),
        ("pan_drop", "odometer_km", "99999999999km", "cannot be"),
        ("pan_drop", "time", "", "Say when it was done"),
        ("pan_drop", "time", "last week", "is no time"),
        ("pan_drop", "time", "2026-06-16T15:00", "This lies ahead"),
        ("pan_drop", "time", "1999-06-16T15:00", "correct the year"),
        ("pan_drop", "time", "0001-01-01T00:00", "correct the year"),
        ("pan_drop", "note", "x" * 2001, "shorten it"),
        ("top_up", "volume_l", "", "Give it"),
        ("fluid_change", "fluid", "", "Give it"),
        ("fluid_change", "fluid", "molasses", "is none of those to choose from"),
        ("circuit", "circuit", "hose", "is none of those to choose from"),
        ("circuit", "thermostat_open_c", "warm", "write a temperature like 93C"),
        ("circuit", "thermostat_open_c", "99C", "the valve would begin to open"),
        ("circuit", "coolant_valve", "1", "which has none"),
        ("circuit", "air_cooler", "1", "which has none"),
        ("sample", "antioxidant", "half", "write a share like 0.55"),
        ("sample", "antioxidant", "500%", "where 1 is all of it"),
        ("sample", "acid_mg_g", "nan", "is no number"),
        ("sample", "acid_mg_g", "1,5x", "is no number"),
        ("sample", "acid_mg_g", "2.0", "Give acid_new_mg_g too"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(
    still: Stage, kind: str, field: str, written: str, said: str
) -> None:
    answer = send(still.client, form_of(still.client, kind), act="enter", **{field: written})
    assert answer.status_code == 422, answer.text
    text = answer.text.replace("&#39;", "'")
    assert said.lower() in text.lower()
    assert f'id="{field}-error"' in text
    assert 'role="alert"' in text
    if written.isprintable() and len(written) < 100 and written not in ("molasses", "hose"):
        assert f'value="{written}"' in text  # what somebody wrote stays
    assert entries(still.database) == []


def test_an_empty_sample_says_nothing_and_is_told_so(still: Stage) -> None:
    answer = send(still.client, form_of(still.client, "sample"), act="enter")
    assert answer.status_code == 422
    assert "give at least one of" in answer.text


def test_numbers_are_read_in_the_units_of_whoever_writes(tmp_path: Path) -> None:
    with stage(tmp_path, units=US) as at:
        form = form_of(at.client, "exchange")
        shown = send(at.client, form, act="look", volume_l="14", odometer_km="120,000")
        assert "8,700" not in shown.text
        (again,) = forms(shown, f"{HERE}/exchange")
        assert send(at.client, again, act="enter").status_code == 303
        (entry,) = entries(at.database)
    # NIST SP 811 appendix B.9: a US liquid quart is 0.9463529 L, a mile 1.609344 km.
    assert entry.numbers["volume_l"] == pytest.approx(14 * 0.9463529, rel=1e-6)
    assert entry.numbers["odometer_km"] == pytest.approx(120_000 * 1.609344, rel=1e-9)


def test_a_laboratory_sample_is_entered_as_its_sheet_has_it(at: Stage) -> None:
    told = {
        "antioxidant": "55%",
        "acid_mg_g": "2.4",
        "acid_new_mg_g": "0.9",
        "water_share": "0.1%",
    }
    told |= {"laboratory": "Fjord Oils", "sample": "K-17", "glycol": "1", "note": "dark"}
    shown = send(at.client, form_of(at.client, "sample"), act="look", **told)
    assert shown.status_code == 200
    (again,) = forms(shown, f"{HERE}/sample")
    assert send(at.client, again, act="enter").status_code == 303
    (entry,) = entries(at.database)
    assert entry.words == {"laboratory": "Fjord Oils", "sample": "K-17"}
    assert entry.numbers == pytest.approx(
        {
            "antioxidant": 0.55,
            "acid_mg_g": 2.4,
            "acid_new_mg_g": 0.9,
            "acid_rise_mg_g": 1.5,
            "water_share": 0.001,
            "glycol": 1.0,
        }
    )
    assert entry.note == "dark"


@pytest.mark.parametrize(
    ("kind", "numbers", "hours_ago"),
    [
        ("pan_drop", {}, 0.0),
        ("pan_drop", {"volume_l": 4.0}, 5.0),
        ("exchange", {}, 7.0),
        ("top_up", {"volume_l": 1.0}, 3.0),
        ("exchange", {}, 24.0 * 30),
        ("sample", {"antioxidant": 0.4}, 2.0),
    ],
)
def test_what_an_entry_will_do_is_what_the_daemon_makes_of_it(
    at: Stage, kind: str, numbers: dict[str, float], hours_ago: float
) -> None:
    at_ms = END_MS - round(hours_ago * HOUR_MS)
    told = Entry(
        vehicle=TRUCK, kind=kind, time_ms=at_ms, who="Kim", entered_ms=END_MS, numbers=numbers
    )
    with at.database.read() as conn:
        expected = outlook(conn, reader(), TRUCK, add=told).after
        before = outlook(conn, reader(), TRUCK).before
    assert expected is not None
    with at.database.write() as tx:
        book = Book(tx=tx, fleet=fleet(), who="Kim", now_ms=END_MS)
        entry = add_entry(book, TRUCK, kind, at_ms, numbers=numbers, note="")
    with at.database.read() as conn:  # before the daemon counts it
        assert outlook(conn, reader(), TRUCK).before == expected
        assert outlook(conn, reader(), TRUCK, without=entry.id).after == before
    count(at.database)
    with at.database.read() as conn:
        stored = reader().truck(conn, TRUCK)
        assert (stored.statement, due_now(stored, END_MS)) == (expected.statement, expected.due)
        assert outlook(conn, reader(), TRUCK, without=entry.id).after == before


@pytest.mark.parametrize(
    "path",
    [
        "/trucks/NF-99/service",
        "/trucks/NF-99/service/pan_drop",
        f"{HERE}/register",
        f"{HERE}/nonsense",
        f"{HERE}/entry/77",
        f"{HERE}/entry/{'9' * 30}",
        f"{HERE}/entered/77",
    ],
)
def test_what_is_not_there_is_said_so(still: Stage, path: str) -> None:
    assert still.client.get(path).status_code == 404


def test_another_gearbox_is_a_managers_to_enter(at: Stage) -> None:
    told = {"fluid_total_l": "11L", "life_used": "10%", "odometer_km": "124000km"}
    shown = send(at.client, form_of(at.client, "gearbox"), act="look", **told)
    (again,) = forms(shown, f"{HERE}/gearbox")
    assert send(at.client, again, act="enter").status_code == 303
    (entry,) = entries(at.database)
    assert entry.numbers == pytest.approx(
        {"fluid_total_l": 11.0, "life_used": 0.1, "odometer_km": 124_000.0}
    )


def test_the_day_is_preset_in_the_zone_of_whoever_looks(still: Stage) -> None:
    now = datetime.fromtimestamp(END_MS / 1000, UTC)
    assert form_of(still.client, "pan_drop").fields["time"] == f"{now:%Y-%m-%dT%H:%M}"
