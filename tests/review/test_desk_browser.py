"""The pages where people act, in Debian's Chromium: by a person with a phone, and as axe-core sees them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from alerts import hold
from alerts.alarm import State
from ingest import record
from review.access.visitor import Role
from tests.review.browser import DESK, PHONE, WALL, browser, serious, wide
from tests.review.desk import DUE, HOT, STUCK, alarm, count
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, page_signed_in, stage


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as started:
        yield started


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def opened(
    chromium: Browser, size: dict[str, int], *, scheme: str = "light", scripts: bool = True
) -> Page:
    context = chromium.new_context(
        viewport=size,  # type: ignore[arg-type]
        color_scheme=scheme,  # type: ignore[arg-type]
        java_script_enabled=scripts,
    )
    return context.new_page()


def test_an_alarm_is_acknowledged_on_a_phone(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, PHONE)
    page_signed_in(page, at, Role.TECHNICIAN, "/alarms")
    page.get_by_role("button", name=re.compile("Acknowledge.*NF-07")).click()
    expect(
        page.get_by_role("status").filter(has_text="Written down: you know.")
    ).to_be_visible()
    assert alarm(at.database, DUE).acknowledged_by == "Omar"
    assert alarm(at.database, DUE).state is State.ACKNOWLEDGED


def test_an_alarm_is_acknowledged_with_a_comment_and_without_scripts(
    at: Stage, chromium: Browser
) -> None:
    page = opened(chromium, PHONE, scripts=False)
    page_signed_in(page, at, Role.TECHNICIAN, "/alarms")
    page.get_by_role("link", name="Cooler bypass valve stuck: hot fluid").first.click()
    page.get_by_text("With a comment").click()
    page.get_by_label("Comment", exact=True).fill("towing it in")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.get_by_text("Omar acknowledged it").first).to_be_visible()
    assert alarm(at.database, STUCK).comment == "towing it in"


def test_a_pan_drop_is_recorded_in_three_taps_on_a_phone(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, PHONE)
    page_signed_in(page, at, Role.TECHNICIAN, "/trucks/NF-07")
    page.get_by_role("link", name="Record a service").first.click()
    page.get_by_role("link", name="Pan drop").click()
    button = page.get_by_role("button", name="Enter it")
    expect(button).to_be_in_viewport()
    button.click()
    expect(
        page.get_by_role("status").filter(has_text="Entered: the usual share")
    ).to_be_visible()
    with at.database.read() as conn:
        (entry,) = record.history(conn, "NF-07")
    assert (entry.kind, entry.who, entry.time_ms) == ("pan_drop", "Omar", END_MS)
    # Back and once more: nothing is entered twice.
    page.go_back()
    page.get_by_role("button", name="Enter it").click()
    expect(
        page.get_by_role("status").filter(has_text="Entered: the usual share")
    ).to_be_visible()
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_role("status").filter(has_text="Struck out")).to_be_visible()
    with at.database.read() as conn:
        assert [each.kind for each in record.history(conn, "NF-07")] == ["pan_drop", "struck"]


def test_the_page_says_of_itself_when_an_entry_counts(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, PHONE)
    page_signed_in(page, at, Role.TECHNICIAN, "/trucks/NF-07/service/pan_drop")
    page.get_by_role("button", name="Enter it").click()
    account_ = page.locator("#account")
    expect(account_).to_contain_text("It waits to be counted")
    count(at.database)
    expect(account_).to_contain_text("It is counted.", timeout=20_000)
    expect(page.locator("#said")).to_have_text("It is counted.")


def test_a_wrong_number_is_mended_where_it_stands(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, PHONE)
    page_signed_in(page, at, Role.TECHNICIAN, "/trucks/NF-07/service/pan_drop")
    page.get_by_label("Fluid put in").fill("much")
    page.get_by_role("button", name="See what it does").click()
    field = page.get_by_label("Fluid put in")
    expect(field).to_have_attribute("aria-invalid", "true")
    said = "'much' is no number that is understood; write a volume like 4.5L or 5qt. Left empty: the"
    expect(field).to_have_accessible_description(re.compile(re.escape(said)))
    field.fill("5qt")
    page.get_by_role("button", name="See what it does").click()
    expect(page.get_by_text("4.7 L of new fluid")).to_be_visible()
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_text("Entered: 4.7 L of new fluid")).to_be_visible()


def test_an_alarm_is_shelved_and_let_go_again(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, PHONE)
    path = f"/alarms/{alarm(at.database, STUCK).id}"
    page_signed_in(page, at, Role.TECHNICIAN, path)
    page.get_by_text("Nobody is to be told of bypass stuck alarms").click()
    page.get_by_label("8 hours").check()
    page.get_by_label("Why").fill("parts on order")
    page.get_by_role("button", name="Hold back").click()
    expect(page.get_by_role("status").filter(has_text="Put aside")).to_be_visible()
    with at.database.read() as conn:
        (made,) = hold.standing(conn, END_MS)
    assert made.until_ms == END_MS + 8 * 3_600_000
    page.goto(at.url + "/alarms")
    page.get_by_role("button", name="Let go now").click()
    expect(page.get_by_role("status").filter(has_text="Let go.")).to_be_visible()
    assert alarm(at.database, STUCK).state is State.UNACKNOWLEDGED


def test_a_list_follows_what_others_do(at: Stage, chromium: Browser) -> None:
    page = opened(chromium, DESK)
    page_signed_in(page, at, Role.VIEWER, "/alarms")
    expect(page.get_by_text("2 alarms stand")).to_be_visible()
    seen = f"{alarm(at.database, HOT).id}:0:4"
    at.client.post(
        f"/alarms/{alarm(at.database, HOT).id}/look", data={"seen": seen, "comment": "dry"}
    )
    heading = page.get_by_role("heading", name="1 is over and waits for somebody")
    expect(heading).to_be_visible(timeout=15_000)


PATHS = (
    "/alarms",
    "/alarms?truck=NF-05",
    "/alarms/past",
    "/alarms/hold?truck=NF-03",
    "/alarms/{stuck}",
    "/alarms/{hot}",
    "/services",
    "/services?month=2027-04",
    "/services/sheet/NF-03",
    "/trucks/NF-03/service",
    "/trucks/NF-03/service/pan_drop",
    "/trucks/NF-03/service/sample",
    "/trucks/NF-03/service/circuit",
    "/trucks/NF-03/service/entered/1",
    "/trucks/NF-03/service/entry/1",
)


@pytest.mark.parametrize(
    ("size", "scheme"),
    [(PHONE, "light"), (DESK, "dark"), (WALL, "light")],
    ids=["phone by day", "desk by night", "wall by day"],
)
def test_every_page_is_sound_for_axe_and_fits(
    at: Stage, chromium: Browser, size: dict[str, int], scheme: str
) -> None:
    page = opened(chromium, size, scheme=scheme)
    page_signed_in(page, at, Role.MANAGER, "/trucks/NF-03/service/pan_drop")
    page.get_by_role("button", name="Enter it").click()
    told = {"truck": "NF-07", "reason": "booked"}
    assert at.client.post("/alarms/hold", data=told).status_code == 303
    names = {"stuck": alarm(at.database, STUCK).id, "hot": alarm(at.database, HOT).id}
    found = {}
    for path in PATHS:
        answer = page.goto(at.url + path.format(**names))
        assert answer is not None
        assert answer.status == 200, path
        found[path] = (serious(page), max(0, wide(page)))
    assert found == {path: ([], 0) for path in PATHS}
