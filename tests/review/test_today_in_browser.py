"""Today and a truck's page in Debian's Chromium: found in two clicks, live, readable at every width."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Browser, Page, Route, ViewportSize, expect

from alerts import lifecycle
from review.access.visitor import Role
from tests.review.browser import DESK, PHONE, WALL, browser, serious, wide
from tests.review.day_pipeline import Trucks
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, page_signed_in, stage

SIZES: dict[str, ViewportSize] = {
    "phone": {"width": PHONE["width"], "height": PHONE["height"]},
    "desk": {"width": DESK["width"], "height": DESK["height"]},
    "wall": {"width": WALL["width"], "height": WALL["height"]},
}
PAGES = ("/", "/trucks/NF-03", "/trucks/NF-02", "/trucks/NF-04", "/trucks/NF-06")


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as started:
        yield started


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("browser")) as found:
        yield found


@contextmanager
def page_at(
    chromium: Browser,
    at: Stage,
    path: str = "/",
    *,
    role: Role = Role.MANAGER,
    scripts: bool = True,
) -> Iterator[Page]:
    context = chromium.new_context(viewport=SIZES["desk"], java_script_enabled=scripts)
    page = context.new_page()
    page_signed_in(page, at, role, path)
    try:
        yield page
    finally:
        context.close()


def test_a_stranger_finds_the_truck_at_fault_and_its_cause_in_two_clicks(
    chromium: Browser, at: Stage
) -> None:
    with page_at(chromium, at, role=Role.VIEWER) as page:
        first = page.locator("article.need").first
        expect(first).to_contain_text("NF-03")
        first.get_by_role("link", name="NF-03", exact=True).click()  # one
        expect(page.get_by_role("heading", level=1)).to_contain_text("NF-03")
        stands = page.locator("#stands")
        expect(stands).to_contain_text("Cooler bypass valve stuck")
        expect(page.get_by_role("img", name="Cooling circuit of NF-03")).to_be_visible()
        stands.get_by_role("link", name="All about it").first.click()  # two
        expect(page.get_by_role("main")).to_contain_text("bypass valve", ignore_case=True)


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_serious_by_axe_and_no_sideways_scrolling(
    chromium: Browser, at: Stage, path: str, scheme: Literal["light", "dark"]
) -> None:
    with page_at(chromium, at) as page:
        page.emulate_media(color_scheme=scheme)
        page.goto(at.url + path)
        for size in SIZES.values():
            page.set_viewport_size(size)
            assert wide(page) <= 0
            assert serious(page) == []


@pytest.mark.parametrize("path", PAGES)
def test_what_can_be_tapped_is_large_enough(chromium: Browser, at: Stage, path: str) -> None:
    """Buttons and fields of 44 px: the house's rule, stricter than WCAG 2.2 (2.5.8: 24 px)."""
    with page_at(chromium, at, path) as page:
        page.set_viewport_size(SIZES["phone"])
        small = page.evaluate(
            """() => [...document.querySelectorAll("main button, main .button, "
            + "main input:not([type=hidden]), main select, main summary")].filter((e) => e.checkVisibility()
            && !e.closest(".chart") && e.getBoundingClientRect().height < 44).map((e) => e.outerHTML)"""
        )
        assert small == []


def test_without_scripts_the_page_does_all_the_same(chromium: Browser, tmp_path: Path) -> None:
    with (
        stage(tmp_path) as at,
        page_at(chromium, at, role=Role.TECHNICIAN, scripts=False) as page,
    ):
        page.get_by_label("Name or number").fill("quarry")
        page.get_by_role("button", name="Show", exact=True).click()
        expect(page.locator("table.fleet tbody tr")).to_have_count(1)
        page.goto(at.url + "/")
        page.get_by_role("button", name="Acknowledge").first.click()
        expect(page.locator("article.need").first).to_contain_text("Omar knows, since")


def test_a_new_sample_shows_without_a_reload(chromium: Browser, tmp_path: Path) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:
        trucks = Trucks(at.database)
        page.evaluate("window.untouched = true")
        row = page.locator('tr[data-key="NF-08"]')
        expect(row).to_contain_text("78 °C")
        trucks.send("NF-08", fluid_temp_c=101.0, speed_km_h=60.0)
        expect(row).to_contain_text("101 °C", timeout=20_000)
        assert page.evaluate("window.untouched") is True


def test_what_somebody_does_is_left_alone_while_the_page_moves_on(
    chromium: Browser, tmp_path: Path
) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:
        card = page.locator('article.need[data-key="NF-03"]')
        also = card.locator("details#also-NF-03-1")
        also.locator("> summary").click()
        link = card.get_by_role("link", name="NF-03", exact=True)
        link.focus()
        with at.database.write() as tx:
            first = at.house.board.now().trucks["NF-07"].alarms[0]
            lifecycle.acknowledge(tx, first.id, by="Kim", now_ms=END_MS)
        expect(page.locator('article.need[data-key="NF-07"]')).to_contain_text(
            "Kim knows", timeout=20_000
        )
        expect(link).to_be_focused()
        assert also.get_attribute("open") is not None


def test_a_truck_that_gets_well_is_said_politely(chromium: Browser, tmp_path: Path) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:
        expect(page.locator("#needs")).to_contain_text("3 of 10 trucks need somebody")
        with at.database.write() as tx:
            over = at.house.board.now().trucks["NF-05"].alarms[0]
            lifecycle.acknowledge(tx, over.id, by="Kim", now_ms=END_MS)
        said = page.locator("#said[aria-live=polite]")
        expect(said).to_have_text("2 of 10 trucks need somebody.", timeout=20_000)


def test_a_truck_page_draws_its_circuit_anew(chromium: Browser, tmp_path: Path) -> None:
    with stage(tmp_path) as at, page_at(chromium, at, "/trucks/NF-09") as page:
        drawing = page.get_by_role("img", name="Cooling circuit of NF-09")
        expect(drawing).to_contain_text("78 °C")
        Trucks(at.database).send(
            "NF-09", fluid_temp_c=88.0, cooler_out_temp_c=87.0, engine_rpm=1300.0
        )
        expect(drawing).to_contain_text("88 °C", timeout=20_000)
        expect(drawing).to_contain_text("87 °C")


def test_a_line_that_is_down_is_said(chromium: Browser, tmp_path: Path) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:
        line = page.locator("#line")
        expect(line).to_be_hidden()
        page.context.set_offline(True)
        at.house.board.stop()  # the stream ends, and cannot be opened again
        expect(line).to_contain_text("Not live since", timeout=30_000)
        expect(line).to_be_visible()


def test_who_signs_out_elsewhere_is_told(chromium: Browser, tmp_path: Path) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:
        expect(page.locator("#needs")).to_be_visible()
        with at.database.write() as tx:
            tx.execute("DELETE FROM session")
        Trucks(at.database).send("NF-08", fluid_temp_c=90.0)
        expect(page.locator("#line")).to_contain_text("You are signed out", timeout=30_000)


def test_who_is_signed_out_before_the_page_listens_is_told_at_once(
    chromium: Browser, tmp_path: Path
) -> None:
    with stage(tmp_path) as at, page_at(chromium, at) as page:

        def sign_out(route: Route) -> None:
            with at.database.write() as tx:
                tx.execute("DELETE FROM session")
            route.continue_()

        page.route("**/live*", sign_out)
        page.reload()
        # sooner than the half minute after which a refused page asks again
        expect(page.locator("#line")).to_contain_text("You are signed out", timeout=20_000)


def test_print_leaves_out_what_paper_cannot_do(chromium: Browser, at: Stage) -> None:
    with page_at(chromium, at, "/trucks/NF-03") as page:
        page.emulate_media(media="print")
        expect(page.get_by_role("button", name="Acknowledge").first).to_be_hidden()
        expect(page.locator("nav.menu")).to_be_hidden()
        expect(page.locator("svg.schematic")).to_be_visible()
