"""Mails as pages: what stands first, that nothing that comes in is markup, that everybody can read it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict, replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import alerts.page
from alerts.notice import Notice, Picture
from alerts.page import (
    FULL_ROWS,
    OF_ONE_CAUSE,
    Bundle,
    Link,
    Report,
    Row,
    Section,
    Table,
    alarm_page,
    bundle_page,
    report_page,
)
from alerts.palette import BANDS, DARK, LIGHT, Palette
from alerts.sheet import Passage, Sheet
from models.transition import Priority
from tests.alerts.browser import NARROW, Seen, look, need_chromium, whole
from tests.alerts.contrast import ENOUGH, contrast, rgb
from tests.alerts.mail_scenes import scenes

NAMES = ("alarm", "reminder", "normal", "hot", "twelve", "flood", "report")
EVIL = "<script>alert(1)</script>\"'><img src=x onerror=y>{{ 7 * 7 }}&amp;"
SHEET = Sheet(
    head="ALARM",
    priority=Priority.HIGH,
    who="NF-01",
    title="Bypass valve stuck",
    passages=(
        Passage(heading="What to do now", lines=("Stop.",), weight="do"),
        Passage(heading="Cautions", points=("It scalds.",), weight="caution"),
        Passage(heading="What was seen", lines=("121 °C.",)),
    ),
    foot="Alarm a1.",
)
ROW = Row(priority=Priority.HIGH, head="ALARM", who="NF-01", title="Stuck", since="since noon")


@pytest.fixture(scope="module")
def mails() -> dict[str, Notice]:
    return scenes()


class Markup(HTMLParser):
    """Takes a page apart: its tags with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._style = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    def handle_data(self, data: str) -> None:
        self.text += "" if self._style else f" {data} "

    @property
    def said(self) -> str:
        return " ".join(self.text.split())


def test_what_needs_doing_stands_first() -> None:
    link = Link(url="https://northfold.example/x", label="I have seen this")
    picture = Picture(name="chart", png=b"", alt="A climb to 121 °C")
    page = alarm_page(SHEET, picture=picture, link=link)
    places = [
        page.index(part)
        for part in (
            "ALARM HIGH",
            '<p class="truck">NF-01',
            "<h1>Bypass valve stuck",
            "Stop.",
            'href="https://northfold.example/x"',
            "It scalds.",
            'src="cid:chart"',
            "121 °C.</p>",
            "Alarm a1.",
        )
    ]
    assert places == sorted(places)


def test_without_link_and_picture_there_is_neither() -> None:
    tags = {tag for tag, _ in Markup(alarm_page(SHEET)).tags}
    assert tags.isdisjoint({"a", "img"})


@pytest.mark.parametrize("name", ["alarm", "reminder", "normal", "hot"])
def test_text_and_page_say_the_same(mails: dict[str, Notice], name: str) -> None:
    mail = mails[name]
    said = Markup(mail.page).said.lower()
    for line in mail.body.splitlines():
        part = " ".join(line.removeprefix("- ").split()).lower()
        if not part.startswith("https://"):
            assert part in said


@pytest.mark.parametrize("name", ["twelve", "flood"])
def test_a_bundle_names_every_truck(mails: dict[str, Notice], name: str) -> None:
    said = Markup(mails[name].page).said
    trucks = {item.vehicle for item in mails[name].items}
    assert len(trucks) == {"twelve": 12, "flood": 500}[name]
    assert trucks <= set(re.findall(r"NF-\d+", said))


def test_many_of_one_kind_have_a_few_lines_and_then_names() -> None:
    rows = tuple(replace(ROW, who=f"NF-{nth}", url="https://x.example") for nth in range(100))
    section = Section(title="Stuck: 100 trucks", names=True, rows=rows)
    page = bundle_page(Bundle(head="Alarms", title="100 alarms", sections=(section,)))
    assert page.count('href="') == OF_ONE_CAUSE < FULL_ROWS
    assert "94 more trucks" in page
    listed = re.findall(r"<span>NF-(\d+)</span>", page)
    assert [int(each) for each in listed] == list(range(OF_ONE_CAUSE, 100))


def test_a_bundle_bears_the_colour_of_the_worst_that_stands() -> None:
    over = replace(ROW, priority=Priority.CRITICAL, urgent=False)
    for rows, band in (((ROW, over), "high"), ((over,), "over")):
        section = Section(title="NF-01", names=False, rows=rows)
        page = bundle_page(Bundle(head="Alarms", title="x", sections=(section,)))
        assert f'<div class="band {band}">' in page


def pages_with(text: str) -> Iterator[str]:
    """Put one text wherever a page takes one."""
    passage = Passage(heading=text, lines=(text,), points=(text,))
    link = Link(url=f"https://northfold.example/{text}", label=text)
    picture = Picture(name="chart", png=b"", alt=text)
    sheet = replace(
        SHEET, head=text, who=text, title=text, lead=text, passages=(passage,), foot=text
    )
    yield alarm_page(sheet, picture=picture, link=link)
    row = replace(ROW, head=text, who=text, title=text, at_once=text, since=text, url=link.url)
    section = Section(title=text, note=text, at_once=text, names=True, rows=(row,) * 30)
    bundle = Bundle(head=text, title=text, lead=text, sections=(section,), passages=(passage,))
    yield bundle_page(bundle, picture=picture, link=link)
    table = Table(caption=text, heads=(text,), rows=((text,),), numbers=frozenset({0}))
    parts = (passage, table, picture)
    yield report_page(Report(head=text, title=text, lead=text, parts=parts), link=link)


PLAIN = [Markup(page) for page in pages_with("plain")]


@given(text=st.one_of(st.just(EVIL), st.text("<>&\"'/= {}%#-!abc\n", max_size=60)))
def test_no_text_becomes_markup(text: str) -> None:
    for page, plain in zip(pages_with(f"x{text}"), PLAIN, strict=True):
        found = Markup(page)
        assert [tag for tag, _ in found.tags] == [tag for tag, _ in plain.tags]
        assert [set(held) for _, held in found.tags] == [set(held) for _, held in plain.tags]


@pytest.mark.parametrize("name", NAMES)
def test_no_scripts_and_nothing_from_elsewhere(mails: dict[str, Notice], name: str) -> None:
    page = mails[name].page
    tags = Markup(page).tags
    assert {tag for tag, _ in tags}.isdisjoint(
        {"script", "link", "iframe", "object", "form", "base"}
    )
    for tag, held in tags:
        assert not any(each.startswith("on") for each in held)
        if tag == "img":
            assert str(held["src"]).startswith("cid:")
            assert str(held["alt"]).strip()
        if tag == "a":
            assert str(held["href"]).startswith("https://")
    assert not re.search(r"url\(|@import|@font-face|expression\(", page)


@pytest.mark.parametrize("name", NAMES)
def test_pages_stay_below_what_mail_programs_cut_off(
    mails: dict[str, Notice], name: str
) -> None:
    """About 102 kB in a widespread one (from memory)."""
    assert len(mails[name].page.encode()) < 60_000


def test_every_template_escapes() -> None:
    folder = Path(alerts.page.__file__).parent / "templates"
    files = sorted(folder.iterdir())
    assert len(files) > 4
    for file in files:
        assert not re.search(r"\|\s*safe|autoescape|Markup", file.read_text(encoding="utf-8"))


def pairs(palette: Palette) -> Iterator[tuple[str, str]]:
    """Give ink and ground of everything that is written in a palette."""
    for ground in (palette.ground, palette.card):
        for ink in (palette.ink, palette.soft, palette.link):
            yield ink, ground
    yield palette.warn_ink, palette.warn
    yield palette.press_ink, palette.press
    for band in BANDS.values():
        yield band.ink, band.ground


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["day", "night"])
def test_every_pair_of_colours_can_be_read(palette: Palette) -> None:
    for ink, ground in pairs(palette):
        assert contrast(rgb(ink), rgb(ground)) >= ENOUGH, (ink, ground)


def test_every_priority_has_a_band() -> None:
    assert {each.name.lower() for each in Priority} <= set(BANDS)
    assert all(re.fullmatch("#[0-9a-f]{6}", each) for each in asdict(LIGHT).values())


@pytest.fixture(scope="module")
def seen(mails: dict[str, Notice]) -> dict[tuple[str, bool], Seen]:
    need_chromium()
    names = ("alarm", "twelve", "report")
    return {
        (name, dark): look(whole(mails[name]), dark=dark)
        for name in names
        for dark in (False, True)
    }


@pytest.mark.parametrize("dark", [False, True], ids=["day", "night"])
@pytest.mark.parametrize("name", ["alarm", "twelve", "report"])
def test_on_a_phone_all_of_it_fits_and_can_be_read(
    seen: dict[tuple[str, bool], Seen], name: str, dark: bool
) -> None:
    found = seen[name, dark]
    assert found.dark is dark
    assert found.width <= NARROW
    assert len(found.pairs) > 10
    for pair in found.pairs:
        assert contrast(pair.ink, pair.ground) >= ENOUGH, pair
    # A finger needs 24 pixels: WCAG 2.2, success criterion 2.5.8.
    assert all(height >= 24 for height in found.links)
    # No level of heading is left out: WCAG technique G141.
    assert found.headings[0] == 1
    assert all(below - above <= 1 for above, below in pairwise(found.headings))
