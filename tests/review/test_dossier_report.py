"""The report as a reader of PDF finds it: pages, words, letters, metadata."""

from __future__ import annotations

import io
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from pypdf import PdfReader

from models.cautions import HOT_FLUID
from review.dossier.report import document_number, report
from review.dossier.unknown_words import LIMITS_OF_IT
from tests.review.failures import BOTH, TELLER, day, review

SHA256 = "0123456789abcdef" * 4


@pytest.fixture(scope="module")
def conn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    with day(tmp_path_factory.mktemp("day")) as (_, found):
        yield found


@pytest.fixture(scope="module")
def paper(conn: sqlite3.Connection) -> bytes:
    return report(review(conn, "NF-03"), BOTH, TELLER, SHA256)


@pytest.fixture(scope="module")
def pages(paper: bytes) -> list[str]:
    return [_plain(page.extract_text()) for page in PdfReader(io.BytesIO(paper)).pages]


def _plain(text: str) -> str:
    return " ".join(text.split())


def test_every_page_says_which_it_is_of_how_many(pages: list[str]) -> None:
    assert len(pages) >= 5
    for number, text in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in text
        assert "Document NF-03-20260616-01234567" in text
        assert "no laboratory proof" in text


def test_it_answers_on_the_first_page(pages: list[str]) -> None:
    assert "stuck bypass valve" in pages[0]
    assert "left its own healthy behaviour at 16 June 2026 07:05" in pages[0]
    assert SHA256 in pages[0].replace(" ", "")
    assert _plain(LIMITS_OF_IT) in pages[0]
    assert "UTC (UTC+00:00 at the end)" in pages[0]


def test_it_writes_both_units(pages: list[str]) -> None:
    whole = " ".join(pages)
    assert re.search(r"155 °C \(312 °F\)", whole)
    assert re.search(r"\d km \([\d,]+ mi\)", whole)


def test_it_holds_all_that_a_claim_asks_for(conn: sqlite3.Connection, pages: list[str]) -> None:
    whole = " ".join(pages)
    found = review(conn, "NF-03")
    for wanted in (
        "What came first",
        "what speaks for and against",
        "Heat, and what it did to the fluid",
        "Alarms, and who knew",
        "Service record",
        "What a change would have meant",
        "What is not known",
        "Measured, computed, estimated",
        f"models {found.basis.model_version}",
        f"Heatbook {found.basis.software_version}",
        "77.0 ± 8.0 kJ/mol",
        "300 s",
        "Found when it was opened",
    ):
        assert wanted in whole, wanted
    assert _plain(HOT_FLUID) in whole


def test_its_metadata_name_it(paper: bytes) -> None:
    read = PdfReader(io.BytesIO(paper))
    told = read.metadata
    assert told is not None
    assert told.title == "Review of NF-03, Quarry run up to 16 June 2026 09:46"
    assert SHA256 in (told.subject or "")
    root: Any = read.trailer["/Root"]
    assert root["/Lang"] == "en"


def test_its_letters_are_in_the_file(paper: bytes) -> None:
    fonts: dict[str, bool] = {}
    for page in PdfReader(io.BytesIO(paper)).pages:
        resources: Any = page["/Resources"]
        for font in resources["/Font"].values():
            described = font.get_object().get("/FontDescriptor")
            embedded = described is not None and "/FontFile2" in described.get_object()
            fonts[str(font.get_object()["/BaseFont"])] = embedded
    used = {name: embedded for name, embedded in fonts.items() if "DejaVu" in name}
    assert len(used) >= 2
    assert all(used.values())


def test_the_same_data_give_the_same_bytes(conn: sqlite3.Connection, paper: bytes) -> None:
    assert report(review(conn, "NF-03"), BOTH, TELLER, SHA256) == paper


def test_what_people_wrote_is_no_markup(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-03")
    assert document_number(found, SHA256, BOTH) == "NF-03-20260616-01234567"
    odd = replace(found, truck=replace(found.truck, title="<b>5 & 6</b> “Ø” Ελ"))
    (first, *_) = PdfReader(io.BytesIO(report(odd, BOTH, TELLER, SHA256))).pages
    assert "<b>5 & 6</b> “Ø” Ελ" in _plain(first.extract_text())


@pytest.mark.parametrize("truck", ["NF-01", "NF-05", "NF-10"])
def test_sound_and_overloaded_trucks_have_one_too(conn: sqlite3.Connection, truck: str) -> None:
    read = PdfReader(io.BytesIO(report(review(conn, truck), BOTH, TELLER, SHA256)))
    assert f"page {len(read.pages)} of {len(read.pages)}" in read.pages[-1].extract_text()
