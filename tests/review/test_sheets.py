"""Work sheets: what they say, and how they come out on paper: one page a truck, on A4 and on Letter.

The printed pages are counted by pypdf, in what Debian's Chromium prints.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from alerts import ledger
from models.cautions import HOT_FLUID, USED_OIL
from models.service import PAN_DROP_SHARE
from models.units import US
from review.pan_drop import preview_pan_drops
from review.work_sheet import shop_reading
from tests.review.browser import DESK, browser
from tests.review.desk import STUCK, alarm
from tests.review.northfold_day import fleet, reader
from tests.review.stage import Stage, page_signed_in, stage


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("still"), units=US) as opened:
        yield opened


@pytest.fixture(scope="module")
def page(still: Stage) -> Iterator[Page]:
    with browser() as started:
        made = started.new_page(viewport=DESK)  # type: ignore[arg-type]
        page_signed_in(made, still)
        yield made


def test_a_sheet_says_what_a_visit_needs(still: Stage) -> None:
    text = still.client.get("/services/sheet/NF-03").text.replace("&#39;", "'")
    with still.database.read() as conn:
        drops = preview_pan_drops(conn, reader(), "NF-03")
    assert text.index(HOT_FLUID) < text.index("The truck") < text.index("Why it comes")
    assert USED_OIL in text
    total_l = fleet().vehicles["NF-03"].fluid_total_l
    assert US.amount(total_l) in text
    assert US.amount(PAN_DROP_SHARE * total_l) in text
    for mixture in drops.mixtures:
        assert f'<td class="right">{mixture.antioxidant:.0%}</td>' in text
    assert "Cooler bypass valve stuck" in text
    assert "with a stuck bypass valve they are cold beside a hot sump" in text
    for line in ("Odometer", "Amount that ran out", "Smell", "Who"):
        assert line in text


def test_a_reading_of_the_lines_is_named_where_causes_are_known() -> None:
    told = shop_reading({"p_shut": 0.7, "p_flow": 0.25, "p_healthy": 0.05})
    assert "they are cold beside a hot sump" in told
    assert "the one out is hot and the one back far colder" in told
    by_coolant = shop_reading({"p_shut": 0.9, "p_open": 0.05, "coolant_cooled": 1.0})
    assert "the one back is as hot as the one out" in by_coolant
    assert shop_reading({}) == ""


def test_where_the_lines_would_show_the_same_something_else_tells_causes_apart() -> None:
    told = shop_reading({"p_slip": 0.6, "p_healthy": 0.4})
    assert "with a slipping lockup clutch the engine runs ahead of the road" in told
    assert "cooler lines" not in told


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_paper_has_one_page_a_truck(still: Stage, page: Page, size: str) -> None:
    trucks = sorted(fleet().vehicles)
    query = "&".join(f"truck={name}" for name in trucks)
    page.goto(f"{still.url}/services/sheet?{query}")
    printed = PdfReader(BytesIO(page.pdf(format=size)))
    assert len(printed.pages) == len(trucks)
    for name, paper in zip(trucks, printed.pages, strict=True):
        text = paper.extract_text()
        assert name in text
        assert "Before anything else" in text
        assert "Notes" in text  # the last line of a sheet is on its page
        assert "Sign out" not in text


def test_the_longest_sheet_is_one_page_too(still: Stage, page: Page) -> None:
    causes = {f"p_{name}": 0.12 for name in ("shut", "low", "open", "air", "flow", "slip")}
    with still.database.write() as tx:
        known = alarm(still.database, STUCK)
        for nth, kind in enumerate(("cooler_starved", "heat_rejection_low", "bypass_stuck")):
            evidence = {**known.evidence, **causes, f"p_{('air', 'low', 'shut')[nth]}": 0.2}
            ledger.save(
                tx,
                replace(known, id=f"{nth:020x}", vehicle="NF-06", kind=kind, evidence=evidence),
            )
    page.goto(f"{still.url}/services/sheet/NF-06")
    for size in ("A4", "Letter"):
        printed = PdfReader(BytesIO(page.pdf(format=size)))
        assert len(printed.pages) == 1, printed.pages[1].extract_text()
        assert printed.pages[0].extract_text().count("Causes that remain") == 3


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/services/sheet", 400),
        ("/services/sheet?truck=NF-99", 404),
        ("/services/sheet/NF-99", 404),
        ("/services/sheet?" + "&".join(f"truck=T{nth}" for nth in range(41)), 400),
        ("/services/sheet?truck=NF-03&truck=NF-03", 200),
    ],
)
def test_what_cannot_be_printed_is_said_so(still: Stage, path: str, status: int) -> None:
    answer = still.client.get(path)
    assert answer.status_code == status
    assert answer.text.count('class="sheet"') == (status == 200)
