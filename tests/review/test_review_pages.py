"""After a failure, in the console: choose a truck, read the answer, take the report and the package home."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from models.units import US
from review.access.visitor import Role
from simulator.northfold import BYPASS_STICKS_S
from tests.review.browser import DESK, PHONE, WALL, browser, serious, wide
from tests.review.desk import audited
from tests.review.failures import at as moment
from tests.review.stage import Stage, page_signed_in, signed_in, stage


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("review")) as found:
        found.client.timeout = 60.0
        yield found


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


def test_trucks_with_critical_alarms_are_offered(at: Stage) -> None:
    page = at.client.get("/review").text
    assert 'href="/review/NF-03"' in page
    assert page.index("Worth a look") < page.index("Any truck, up to any day")
    assert "NF-05" not in page[: page.index("Any truck, up to any day")]


def test_a_truck_and_a_day_lead_to_its_review(at: Stage) -> None:
    went = at.client.get("/review?truck=NF-03&until=2026-06-16")
    assert went.status_code == 303
    assert went.headers["location"] == "/review/NF-03?until=2026-06-16"
    strange = at.client.get("/review?truck=//evil.example&until=")
    assert strange.headers["location"].startswith("/review/")


def test_the_answer_comes_first_then_what_happened(at: Stage) -> None:
    page = at.client.get("/review/NF-03").text
    places = [
        page.index(text)
        for text in (
            "Bypass valve stuck",
            "First to go",
            "What came first</h2>",
            "Pictures",
            "Causes, with what speaks",
            "What is not known",
        )
    ]
    assert places == sorted(places)
    assert "/review/NF-03/report.pdf" in page
    assert "/review/NF-03/package.zip" in page


def test_overload_is_said_so(at: Stage) -> None:
    assert "load, not a fault" in at.client.get("/review/NF-05").text


def test_until_and_days_are_kept_for_the_files(at: Stage) -> None:
    until = moment(BYPASS_STICKS_S)
    page = at.client.get(f"/review/NF-03?until={until}&days=3").text
    assert "Nothing left" in page
    assert f"/review/NF-03/report.pdf?until={until}&amp;days=3" in page


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/review/NF-99", 404, "NF-09"),
        ("/review/NF-03?until=2020-01-01", 422, "before the first sample"),
        ("/review/NF-03?until=sometime", 422, "is no time"),
        (f"/review/NF-03?until={'9' * 30}", 422, "too far ahead"),
        ("/review/NF-03?days=²", 422, "is no number of days"),
        ("/review/NF-03?days=0", 422, "1 to 60"),
        ("/review/NF-03?days=many", 422, "no number of days"),
        ("/review/NF-03/life.png", 404, "nothing to draw"),
        ("/review/NF-03/passwd.png", 404, "nothing to draw"),
    ],
)
def test_what_cannot_be_shown_is_said_plainly(
    at: Stage, path: str, status: int, words: str
) -> None:
    answer = at.client.get(path)
    assert answer.status_code == status
    assert words in answer.text


def test_the_report_and_the_package_are_of_one_review(at: Stage) -> None:
    paper = at.client.get("/review/NF-03/report.pdf")
    assert paper.headers["content-type"] == "application/pdf"
    packed = at.client.get("/review/NF-03/package.zip")
    names = [each.headers["content-disposition"] for each in (paper, packed)]
    stem = names[0].split('"')[1].removesuffix(".pdf")
    assert names[1] == f'attachment; filename="{stem}.zip"'
    told = PdfReader(io.BytesIO(paper.content)).metadata
    assert told is not None
    with zipfile.ZipFile(io.BytesIO(packed.content)) as archive:
        text = archive.read("README.md").decode()
    assert (told.subject or "").split()[-1] in text


def test_who_took_a_file_is_written_down(at: Stage) -> None:
    with signed_in(at, Role.VIEWER) as client:
        client.timeout = 60.0
        assert client.get("/review/NF-05/report.pdf").status_code == 200
    assert ("review.made", "Kim") in audited(at.database)


def test_a_picture_is_one(at: Stage) -> None:
    answer = at.client.get("/review/NF-03/hours.png")
    assert answer.headers["content-type"] == "image/png"
    assert answer.content.startswith(b"\x89PNG")


def test_nobody_looks_who_is_not_signed_in(at: Stage) -> None:
    at_the_door = at.client.__class__(base_url=at.url)
    with at_the_door as client:
        for path in ("/review", "/review/NF-03", "/review/NF-03/report.pdf"):
            assert client.get(path).headers["location"].startswith("/sign-in?next=")


@pytest.mark.parametrize("size", [PHONE, DESK, WALL], ids=["phone", "desk", "wall"])
@pytest.mark.parametrize("light", ["light", "dark"])
def test_anybody_can_use_the_pages(
    at: Stage, chromium: Browser, size: dict[str, int], light: str
) -> None:
    context = chromium.new_context(viewport=size, color_scheme=light)  # type: ignore[arg-type]
    try:
        page = context.new_page()
        trouble: list[str] = []
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on(
            "console",
            lambda told: trouble.append(told.text) if told.type == "error" else None,
        )
        page_signed_in(page, at, path="/review")
        assert serious(page) == []
        assert wide(page) <= 0
        page.get_by_role("link", name="NF-03").first.click()
        page.get_by_role("heading", name="Bypass valve stuck").wait_for()
        assert serious(page) == []
        assert wide(page) <= 0
        assert page.locator(".timeline .tone-first").first.is_visible()
        assert trouble == []
    finally:
        context.close()


def test_it_is_written_in_the_readers_units(tmp_path_factory: pytest.TempPathFactory) -> None:
    with stage(tmp_path_factory.mktemp("us"), units=US) as found:
        found.client.timeout = 60.0
        page = found.client.get("/review/NF-03").text
        assert "312 °F" in page
        assert "155 °C" not in page
