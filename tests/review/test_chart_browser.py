"""The chart as people see it: in a real browser, over the real store, by pointer, finger and keys."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from ingest import journal
from models.units import METRIC, US
from review import history
from simulator.northfold import START_MS
from tests.review.browser import DESK, PHONE, browser, serious, wide
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, stage

PATH = "/trucks/NF-03/history"
ZONE = ZoneInfo("America/Denver")
CHART = "document.querySelector('[data-chart]').chart"


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    units = replace(METRIC, zone=ZONE)
    with stage(tmp_path_factory.mktemp("chart"), units=units) as staged:
        yield staged


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as started:
        yield started


@contextmanager
def opened(
    chromium: Browser,
    at: Stage,
    path: str = PATH,
    *,
    drawn: bool = True,
    expected: str = "",
    **options: Any,
) -> Iterator[Page]:
    """Open a page signed in; whatever the browser complains of fails the test."""
    context = chromium.new_context(**{"viewport": DESK, **options})
    context.add_cookies(
        [
            {"name": each.name, "value": each.value or "", "url": at.url}
            for each in at.client.cookies.jar
        ]
    )
    page = context.new_page()
    trouble: list[str] = []
    page.on("console", lambda said: trouble.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    try:
        page.goto(at.url + path)
        if drawn:
            page.wait_for_selector("[data-chart][data-drawn][data-band=yes]")
        yield page
        # A breach of the content security policy is one of these.
        assert [each for each in trouble if not expected or expected not in each] == []
    finally:
        context.close()


def view(page: Page) -> tuple[int, int]:
    first, last = page.evaluate(f"{CHART}.view")
    return first, last


def drawn_again(page: Page, before: tuple[int, int]) -> tuple[int, int]:
    """Wait until the chart shows another span, with the numbers of that span."""
    now = view(page)
    assert now != before
    page.wait_for_selector(f"[data-chart][data-drawn='{now[0]}-{now[1]}']")
    return now


def colours_of(page: Page, colour: str) -> int:
    """Count the pixels of the first canvas that have nearly the colour of a style variable."""
    return int(
        page.evaluate(
            """name => {
              const figure = document.querySelector('[data-chart]');
              const canvas = figure.querySelector('canvas');
              const hex = getComputedStyle(figure).getPropertyValue(name).trim();
              const [r, g, b] = [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
              const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
              let count = 0;
              for (let i = 0; i < data.length; i += 4) {
                const off = Math.abs(data[i] - r) + Math.abs(data[i + 1] - g) + Math.abs(data[i + 2] - b);
                if (data[i + 3] > 200 && off < 30) count++;
              }
              return count;
            }""",
            colour,
        )
    )


def test_it_is_drawn_with_all_that_belongs_to_it(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at) as page:
        assert colours_of(page, "--chart-fluid") > 300
        assert colours_of(page, "--chart-limit") > 300
        assert page.locator(".chart-still").is_hidden()
        key = page.locator(".chart-key").inner_text()
        for words in (
            "fluid",
            "healthy truck (8 in 10)",
            "outside air",
            "fault in the circuit",
        ):
            assert words in key
        said = page.locator(".chart-said").inner_text()
        assert "night by the clock, 20:00 to 06:00" in said
        assert "Not measured here: to the cooler" in said
        assert serious(page) == []
        assert wide(page) == 0


def test_the_reading_is_the_sample_in_the_store(at: Stage, chromium: Browser) -> None:
    with at.database.read() as conn:
        raw = history.samples(conn, "NF-03", START_MS, END_MS)
    with opened(chromium, at) as page:
        over = page.locator(".u-over").first.bounding_box()
        assert over is not None
        for share in (0.05, 0.22, 0.33, 0.9):
            page.mouse.move(over["x"] + share * over["width"], over["y"] + 60)
            time_ms = page.evaluate(f"{CHART}.at")
            (row,) = raw[raw["time_ms"] == time_ms]
            first, last = view(page)
            assert abs(time_ms - (first + share * (last - first))) < 60_000
            shown = page.locator(".chart-key li[data-name=fluid_temp_c] .number").inner_text()
            assert shown == f"{row['fluid_temp_c']:.1f} °C"
            clock = np.datetime64(time_ms, "ms").astype("datetime64[us]").item()
            local = clock.replace(tzinfo=ZoneInfo("UTC")).astimezone(ZONE)
            assert f"{local:%H:%M:%S}" in page.locator(".chart-now").inner_text()


def test_keys_move_the_line_and_zoom(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at) as page:
        whole = view(page)
        plot = page.get_by_role("slider")
        plot.focus()
        page.keyboard.press("ArrowLeft")
        newest = page.evaluate(f"{CHART}.at")
        page.keyboard.press("ArrowLeft")
        assert page.evaluate(f"{CHART}.at") == newest - 10_000
        assert plot.get_attribute("aria-valuenow") == str(newest - 10_000)
        spoken = plot.get_attribute("aria-valuetext") or ""
        assert "fluid 9" in spoken
        assert "Alarm: bypass stuck" in spoken
        page.keyboard.press("+")
        closer = drawn_again(page, whole)
        assert closer[1] - closer[0] == pytest.approx((whole[1] - whole[0]) / 2, abs=2)
        assert "Showing" in page.locator(".chart [role=status]").inner_text()
        page.keyboard.press("Shift+ArrowLeft")
        earlier = drawn_again(page, closer)
        assert earlier[0] < closer[0]
        page.keyboard.press("-")
        drawn_again(page, earlier)
        page.keyboard.press("Home")
        page.wait_for_selector(f"[data-chart][data-drawn='{whole[0]}-{whole[1]}']")
        assert view(page) == whole


def test_the_mouse_chooses_a_span_and_the_address_goes_along(
    at: Stage, chromium: Browser
) -> None:
    with opened(chromium, at) as page:
        whole = view(page)
        over = page.locator(".u-over").first.bounding_box()
        assert over is not None
        y = over["y"] + over["height"] / 2
        page.mouse.move(over["x"] + 0.25 * over["width"], y)
        page.mouse.down()
        page.mouse.move(over["x"] + 0.5 * over["width"], y, steps=5)
        page.mouse.up()
        first, last = drawn_again(page, whole)
        span = whole[1] - whole[0]
        assert first == pytest.approx(whole[0] + 0.25 * span, abs=0.01 * span)
        assert last == pytest.approx(whole[0] + 0.5 * span, abs=0.01 * span)
        assert f"first={first}" in page.url
        page.reload()
        page.wait_for_selector("[data-chart][data-drawn]")
        assert view(page) == (first, last)


def test_a_closer_look_has_more_points(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, viewport=PHONE) as page:
        assert page.evaluate(f"{CHART}.found.bucket_ms") == 60_000
        before = view(page)
        page.get_by_role("button", name="Zoom in").click()
        before = drawn_again(page, before)
        page.get_by_role("button", name="Zoom in").click()
        before = drawn_again(page, before)
        page.get_by_role("button", name="Zoom in").click()
        drawn_again(page, before)
        assert page.evaluate(f"{CHART}.found.bucket_ms") < 60_000


def test_a_finger_reads(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.locator(".chart-plot").scroll_into_view_if_needed()
        over = page.locator(".u-over").first.bounding_box()
        assert over is not None
        page.touchscreen.tap(over["x"] + 0.3 * over["width"], over["y"] + 40)
        first, last = view(page)
        time_ms = page.evaluate(f"{CHART}.at")
        assert abs(time_ms - (first + 0.3 * (last - first))) < 0.03 * (last - first)
        assert wide(page) == 0
        assert serious(page) == []


def test_a_line_can_be_put_out_and_in(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at) as page:
        before = colours_of(page, "--chart-fluid")
        button = page.locator(".chart-key li[data-name=fluid_temp_c] button")
        button.click()
        assert button.get_attribute("aria-pressed") == "false"
        page.wait_for_timeout(100)
        assert colours_of(page, "--chart-fluid") < before / 10
        button.click()
        page.wait_for_timeout(100)
        assert colours_of(page, "--chart-fluid") > before / 2


def test_a_day_that_stands_alone_in_a_year_is_seen(at: Stage, chromium: Browser) -> None:
    path = f"{PATH}?first={END_MS - 365 * 86_400_000}&last={END_MS}"
    with opened(chromium, at, path, drawn=False) as page:
        page.wait_for_selector("[data-chart][data-drawn]")
        assert page.evaluate(f"{CHART}.found.time_ms.length") == 1
        assert colours_of(page, "--chart-fluid") > 8
        with at.database.read() as conn:
            raw = history.samples(conn, "NF-03", START_MS, END_MS)["fluid_temp_c"]
        shown = page.locator(".chart-key li[data-name=fluid_temp_c] .number").inner_text()
        assert shown.startswith(f"{raw.min():.1f} to {raw.max():.1f}, mean ")
        assert "V" in (
            page.locator(".chart-still .trace.fluid_temp_c").get_attribute("d") or ""
        )
        assert "14 days" in page.locator(".chart-said").inner_text()


def test_an_alarm_is_shown_in_the_chart(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at) as page:
        whole = view(page)
        page.get_by_role("link", name=re.compile("Show in the chart *over temperature")).click()
        first, last = drawn_again(page, whole)
        link = page.locator("a[data-show]").first.get_attribute("data-show") or ""
        wanted = [int(each) for each in link.split(",")]
        assert first <= wanted[0] + 1 or first == whole[0]
        assert last >= wanted[1] - 1 or last == whole[1]
        assert page.evaluate("document.activeElement.className") == "chart-plot"


def test_it_is_in_the_readers_degrees(
    tmp_path_factory: pytest.TempPathFactory, chromium: Browser
) -> None:
    units = replace(US, zone=ZONE)
    with (
        stage(tmp_path_factory.mktemp("us"), units=units) as at,
        opened(chromium, at, f"{PATH}?signals=fluid_temp_c,speed_km_h") as page,
    ):
        with at.database.read() as conn:
            newest = history.samples(conn, "NF-03", START_MS, END_MS)[-1]
        fluid = page.locator(".chart-key li[data-name=fluid_temp_c] .number").inner_text()
        assert fluid == f"{newest['fluid_temp_c'] * 9 / 5 + 32:.1f} °F"
        speed = page.locator(".chart-key li[data-name=speed_km_h] .number").inner_text()
        assert speed == f"{newest['speed_km_h'] / 1.609344:.0f} mph"
        names = page.locator(".chart-name").all_inner_texts()
        assert names[0] == "Temperature, °F"
        assert "Road speed, mph" in names
        limits = page.evaluate(f"{CHART}.plots[0].limits.map((each) => each.words)")
        assert limits == ["highest allowed 250 °F", "critical 275 °F"]


def test_by_night_it_has_the_colours_of_the_night(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, color_scheme="dark") as page:
        assert page.evaluate(f"{CHART}.plots[0].colour('--chart-fluid')") == "#8cc4f5"
        assert colours_of(page, "--chart-fluid") > 300
        assert serious(page) == []
        page.emulate_media(color_scheme="light")
        page.wait_for_timeout(150)
        assert page.evaluate(f"{CHART}.plots[0].colour('--chart-fluid')") == "#0060a8"
        assert colours_of(page, "--chart-fluid") > 300


def test_it_takes_the_width_of_its_place(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at) as page:
        before = page.locator(".chart canvas").first.bounding_box()
        page.set_viewport_size({"width": 700, "height": 900})
        page.wait_for_timeout(200)
        after = page.locator(".chart canvas").first.bounding_box()
        assert before is not None
        assert after is not None
        assert after["width"] < before["width"] - 100
        assert wide(page) == 0


def test_without_scripts_there_are_a_picture_and_a_table(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, drawn=False, java_script_enabled=False) as page:
        still = page.locator(".chart-still svg")
        assert still.is_visible()
        path = page.locator(".chart-still .trace.fluid_temp_c").get_attribute("d") or ""
        assert path.count("M") >= 2  # the stop is a gap
        page.locator(".chart-facts summary").click()
        table = page.locator(".chart-facts table")
        assert table.is_visible()
        assert "Fluid" in table.inner_text()
        with at.database.read() as conn:
            raw = history.samples(conn, "NF-03", START_MS, END_MS)["fluid_temp_c"]
        assert METRIC.degrees(raw.max()) in table.inner_text()
        assert page.locator(".chart-stage").is_hidden()
        link = page.get_by_role("link", name="7 days")
        link.click()
        assert page.locator("[aria-current=true]").inner_text() == "7 days"


def test_on_paper_it_is_black_on_white_and_no_wider(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, color_scheme="dark") as page:
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert page.evaluate(f"{CHART}.plots[0].colour('--chart-fluid')") == "#0060a8"
        assert page.evaluate(f"{CHART}.plots[0].u.width") == 660
        page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert page.evaluate(f"{CHART}.plots[0].colour('--chart-fluid')") == "#8cc4f5"
        assert len(page.pdf()) > 10_000


def test_a_truck_that_is_heard_goes_on_by_itself(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, "/trucks/NF-01/history") as page:
        before = page.evaluate(f"{CHART}.found.newest_ms")
        with at.database.write() as tx:
            (vehicle_id,) = tx.execute(
                "SELECT id FROM vehicle WHERE name = ?", ("NF-01",)
            ).fetchone()
            sample = journal.read(
                tx, vehicle_id=vehicle_id, first_ms=before, last_ms=before
            ).copy()
            sample["time_ms"] += 700
            journal.append(tx, vehicle_id=vehicle_id, samples=sample, received_ms=END_MS)
        page.wait_for_selector(f"[data-chart][data-newest='{before + 700}']")
        later = view(page)
        assert later[1] >= before + 700
        page.get_by_role("button", name="Zoom in").click()
        closer = drawn_again(page, later)
        page.evaluate(
            "document.dispatchEvent(new CustomEvent('heatbook:change', "
            "{detail: {trucks: ['NF-01']}}))"
        )
        assert view(page) == closer  # whoever looks closer is left in peace


def test_when_the_numbers_do_not_come_it_is_said(at: Stage, chromium: Browser) -> None:
    with opened(chromium, at, expected="net::ERR_FAILED") as page:
        page.route("**/series*", lambda route: route.abort())
        page.get_by_role("button", name="Zoom in").click()
        page.wait_for_selector(".chart-trouble:not([hidden])")
        assert "no connection" in page.locator(".chart-trouble").inner_text()
        page.unroute("**/series*")
        before = view(page)
        page.get_by_role("button", name="Zoom in").click()
        drawn_again(page, before)
        assert page.locator(".chart-trouble").is_hidden()
