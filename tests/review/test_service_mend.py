"""Mending the service record on the console, and who may: over the invented day, through real requests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.record import STRUCK
from review.access.visitor import Role
from review.record_book import Book, add_entry
from review.service_draft import OWN_MS
from tests.review.desk import HERE, TRUCK, Form, audited, entries, form_of, forms, send
from tests.review.northfold_day import END_MS, fleet
from tests.review.stage import Stage, signed_in, stage


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def test_a_slip_is_corrected_and_keeps_its_place(at: Stage) -> None:
    send(at.client, form_of(at.client, "pan_drop"), act="enter")
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
    done = send(at.client, form_of(at.client, "pan_drop"), act="enter").headers["location"]
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
