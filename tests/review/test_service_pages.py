"""Recording a service on the console: shown before, entered once, mended after; over the invented day.

What a page says an entry will do is held against what the daemon's own pipeline makes of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from deploy.database import Database
from ingest import record
from ingest.record import STRUCK, Entry
from models.units import US
from review.access.visitor import Role
from review.record_book import Book, add_entry
from review.service_draft import OWN_MS
from review.service_outlook import outlook
from review.standing import due_now
from tests.review.desk import Form, audited, count, forms, send
from tests.review.northfold_day import END_MS, fleet, reader
from tests.review.stage import Stage, signed_in, stage

HOUR_MS = 3_600_000
TRUCK = "NF-07"
HERE = f"/trucks/{TRUCK}/service"


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A console at which nothing is changed."""
    with stage(tmp_path_factory.mktemp("still")) as opened:
        yield opened


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def entries(database: Database, truck: str = TRUCK) -> list[Entry]:
    with database.read() as conn:
        return record.history(conn, truck)


def form_of(at: Stage, kind: str) -> Form:
    path = f"{HERE}/{kind}"
    (form,) = forms(at.client.get(path), path)
    return form


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
    form = form_of(at, "pan_drop")
    answers = [send(at.client, form, act="enter") for _ in range(3)]
    assert {answer.status_code for answer in answers} == {303}
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert len(entries(at.database)) == 1
    assert audited(at.database) == [("service.recorded", "Ines")]


def test_what_was_changed_after_it_was_shown_is_shown_again_first(at: Stage) -> None:
    form = form_of(at, "pan_drop")
    answer = send(at.client, form, act="enter", volume_l="4.5L", filter="1")
    assert answer.status_code == 200
    assert "You changed something" in answer.text
    assert entries(at.database) == []
    (again,) = forms(answer, f"{HERE}/pan_drop")
    assert send(at.client, again, act="enter").status_code == 303
    (entry,) = entries(at.database)
    assert entry.numbers == {"volume_l": 4.5, "filter": 1.0}


def test_the_same_work_entered_before_is_pointed_out(at: Stage) -> None:
    send(at.client, form_of(at, "pan_drop"), act="enter")
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
    answer = send(still.client, form_of(still, kind), act="enter", **{field: written})
    assert answer.status_code == 422, answer.text
    text = answer.text.replace("&#39;", "'")
    assert said.lower() in text.lower()
    assert f'id="{field}-error"' in text
    assert 'role="alert"' in text
    if written.isprintable() and len(written) < 100 and written not in ("molasses", "hose"):
        assert f'value="{written}"' in text  # what somebody wrote stays
    assert entries(still.database) == []


def test_an_empty_sample_says_nothing_and_is_told_so(still: Stage) -> None:
    answer = send(still.client, form_of(still, "sample"), act="enter")
    assert answer.status_code == 422
    assert "give at least one of" in answer.text


def test_numbers_are_read_in_the_units_of_whoever_writes(tmp_path: Path) -> None:
    with stage(tmp_path, units=US) as at:
        form = form_of(at, "exchange")
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
    shown = send(at.client, form_of(at, "sample"), act="look", **told)
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


def test_a_slip_is_corrected_and_keeps_its_place(at: Stage) -> None:
    send(at.client, form_of(at, "pan_drop"), act="enter")
    path = f"{HERE}/entry/1"
    (form,) = forms(at.client.get(path), path)
    shown = send(at.client, form, act="look", volume_l="6L")
    (again,) = forms(shown, path)
    first = send(at.client, again, act="enter")
    second = send(at.client, again, act="enter")
    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    old, new = entries(at.database)
    assert (new.supersedes, new.numbers["volume_l"], new.time_ms) == (old.id, 6.0, old.time_ms)
    assert "Corrected by Ines" in at.client.get(HERE).text
    assert [what for what, _ in audited(at.database)] == [
        "service.recorded",
        "service.corrected",
    ]
    third = send(at.client, form, act="look", volume_l="7L")
    assert third.status_code == 422
    assert "counts no longer" in third.text


def test_what_a_correction_leaves_out_is_taken_out(at: Stage) -> None:
    with at.database.write() as tx:
        book = Book(tx=tx, fleet=fleet(), who="Ines", now_ms=END_MS)
        numbers = {"volume_l": 4.5123456789, "filter": 1.0, "odometer_km": 124_000.4}
        add_entry(book, TRUCK, "pan_drop", END_MS - 1234, numbers=numbers, note="n")
    path = f"{HERE}/entry/1"
    (form,) = forms(at.client.get(path), path)
    changed = {name: value for name, value in form.fields.items() if name != "filter"}
    shown = send(at.client, Form(path, "post", changed), act="look", odometer_km="")
    (again,) = forms(shown, path)
    assert send(at.client, again, act="enter").status_code == 303
    new = entries(at.database)[-1]
    assert new.numbers == {"volume_l": 4.5123456789}  # as it stood, to the last digit
    assert (new.time_ms, new.note) == (END_MS - 1234, "n")


def test_an_entry_is_taken_back_and_stays_to_be_read(at: Stage) -> None:
    done = send(at.client, form_of(at, "pan_drop"), act="enter").headers["location"]
    strike = f"{HERE}/entry/1/strike"
    (form,) = forms(at.client.get(done), strike)
    assert send(at.client, form, note=" ").status_code == 422
    assert len(entries(at.database)) == 1
    answers = [send(at.client, form) for _ in range(2)]
    assert [answer.headers.get("location") for answer in answers] == [f"{HERE}?done=struck"] * 2
    kinds = [(each.kind, each.note) for each in entries(at.database)]
    assert kinds == [("pan_drop", ""), (STRUCK, "entered by mistake")]
    assert "Struck out by Ines: “entered by mistake”" in at.client.get(HERE).text
    assert at.client.get(done).status_code == 404


def test_who_strikes_second_is_told_that_it_counts_no_longer(at: Stage) -> None:
    with at.database.write() as tx:
        book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
        add_entry(book, TRUCK, "filter", END_MS, numbers={}, note="")
    strike = f"{HERE}/entry/1/strike"
    with signed_in(at, Role.TECHNICIAN) as omar:
        assert omar.post(strike, data={"note": "wrong truck"}).status_code == 303
    answer = at.client.post(strike, data={"note": "wrong truck"})
    assert answer.status_code == 409
    assert "counts no longer" in answer.text


def test_what_a_technician_may_enter_and_mend(at: Stage) -> None:
    with at.database.write() as tx:
        book = Book(tx=tx, fleet=fleet(), who="Kim", now_ms=END_MS)
        add_entry(book, TRUCK, "filter", END_MS, numbers={}, note="")
        old = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS - OWN_MS - 1)
        add_entry(old, TRUCK, "filter", END_MS - OWN_MS - 1, numbers={}, note="")
        own = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS - OWN_MS)
        add_entry(own, TRUCK, "filter", END_MS - OWN_MS, numbers={}, note="")
    with signed_in(at, Role.TECHNICIAN) as omar:
        page = omar.get(HERE)
        assert "Pan drop" in page.text
        assert "Gearbox replaced" not in page.text
        assert omar.get(f"{HERE}/gearbox").status_code == 403
        assert omar.post(f"{HERE}/gearbox", data={}).status_code == 403
        assert [omar.get(f"{HERE}/entry/{nth}").status_code for nth in (1, 2, 3)] == [
            403,
            403,
            200,
        ]
        assert omar.post(f"{HERE}/entry/1/strike", data={"note": "x"}).status_code == 403
        assert omar.post(f"{HERE}/entry/1", data={"act": "enter"}).status_code == 403


def test_a_viewer_reads_the_record_and_enters_nothing(at: Stage) -> None:
    with at.database.write() as tx:
        book = Book(tx=tx, fleet=fleet(), who="Kim", now_ms=END_MS)
        add_entry(book, TRUCK, "filter", END_MS, numbers={}, note="squeaky clean")
    with signed_in(at, Role.VIEWER) as kim:
        page = kim.get(HERE)
        assert "squeaky clean" in page.text
        assert "What was done?" not in page.text
        assert "Correct" not in page.text
        assert kim.get(f"{HERE}/pan_drop").status_code == 403
        assert kim.post(f"{HERE}/pan_drop", data={"act": "enter"}).status_code == 403
        assert kim.post(f"{HERE}/entry/1/strike", data={"note": "x"}).status_code == 403
    assert len(entries(at.database)) == 1


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
    shown = send(at.client, form_of(at, "gearbox"), act="look", **told)
    (again,) = forms(shown, f"{HERE}/gearbox")
    assert send(at.client, again, act="enter").status_code == 303
    (entry,) = entries(at.database)
    assert entry.numbers == pytest.approx(
        {"fluid_total_l": 11.0, "life_used": 0.1, "odometer_km": 124_000.0}
    )


def test_the_day_is_preset_in_the_zone_of_whoever_looks(still: Stage) -> None:
    now = datetime.fromtimestamp(END_MS / 1000, UTC)
    assert form_of(still, "pan_drop").fields["time"] == f"{now:%Y-%m-%dT%H:%M}"
