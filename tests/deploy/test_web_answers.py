"""Answers to notices over a real server on loopback."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest

from alerts import gathering
from alerts.alarm import State
from alerts.gathering import Look
from alerts.links import Address, Answer, Purpose
from models.transition import Priority
from review.web.strangers import MOST
from tests.alerts.far_side import until
from tests.alerts.store import MINUTE, NOON, transition, write
from tests.deploy.reception import DAY_MS, Reception, form, reception

METHODS = ("GET", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH", "PROPFIND")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Reception]:
    with reception(tmp_path) as opened:
        yield opened


class Reader(HTMLParser):
    """What a page has: its tags with their attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def test_a_page_shows_the_alarm_and_asks(desk: Reception) -> None:
    page = Reader(desk.client.get(desk.path()).text)
    assert "Nobody has acknowledged this yet." in page.text
    assert "NF-01" in page.text
    assert page.all("form") == [{"method": "post", "action": ""}]
    assert len(page.all("button")) == 1


@pytest.mark.parametrize("method", METHODS)
def test_nothing_but_a_post_acknowledges(desk: Reception, method: str) -> None:
    path = desk.path()
    for _ in range(3):
        desk.client.request(method, path, params={"seen": f"{desk.alarm().id}:4"})
    assert desk.known().state is State.UNACKNOWLEDGED


def test_a_post_acknowledges_with_who_when_and_comment(desk: Reception) -> None:
    desk.now_ms = NOON + MINUTE
    sent = form(desk.alarm(), comment="  at the yard,\r\n  cooling down ")
    answered = desk.client.post(desk.path(), data=sent)
    assert answered.status_code == 200
    assert "Acknowledged by Ines of the workshop" in answered.text
    known = desk.known()
    assert known.state is State.ACKNOWLEDGED
    assert (known.acknowledged_by, known.acknowledged_ms, known.comment) == (
        "Ines of the workshop",
        NOON + MINUTE,
        "at the yard, cooling down",
    )


def test_again_it_says_who_was_first_and_changes_nothing(desk: Reception) -> None:
    desk.client.post(desk.path(), data=form(desk.alarm(), comment="first"))
    desk.now_ms += MINUTE
    again = desk.client.post(
        desk.path(person=""), data=form(desk.alarm(), name="Omar", comment="second")
    )
    assert again.status_code == 200
    assert "Acknowledged by Ines of the workshop" in again.text
    assert (desk.known().acknowledged_ms, desk.known().comment) == (NOON, "first")
    assert "Acknowledged by Ines" in desk.client.get(desk.path()).text
    assert "<form" not in desk.client.get(desk.path()).text


def test_of_many_at_once_one_is_first(desk: Reception) -> None:
    path, alarm = desk.path(person=""), desk.alarm()

    def press(number: int) -> str:
        sent = form(alarm, name=f"Number {number}")
        return httpx.post(desk.client.base_url.join(path), data=sent, timeout=30.0).text

    with ThreadPoolExecutor(8) as pool:
        pages = list(pool.map(press, range(8)))
    first = desk.known().acknowledged_by
    assert sum("Thank you" in page for page in pages) == 1
    assert all(f"Acknowledged by {first}" in page for page in pages)


def test_a_notice_to_a_list_asks_for_the_name(desk: Reception) -> None:
    path = desk.path(person="")
    names = [each["name"] for each in Reader(desk.client.get(path).text).all("input")]
    assert names == ["seen", "name"]
    nameless = desk.client.post(path, data=form(desk.alarm(), name=" \t"))
    assert nameless.status_code == 400
    assert desk.known().state is State.UNACKNOWLEDGED
    desk.client.post(path, data=form(desk.alarm(), name="Omar"))
    assert desk.known().acknowledged_by == "Omar"


def test_whoever_left_the_people_file_is_still_named(desk: Reception) -> None:
    desk.client.post(desk.path(person="gone"), data=form(desk.alarm()))
    assert desk.known().acknowledged_by == "gone"


@pytest.mark.parametrize(
    ("spoil", "status", "words"),
    [
        (lambda path: path[:-4], 404, "does not work"),
        (lambda path: path.replace("/answer/", "/answer/x"), 404, "does not work"),
        (lambda path: "/answer/", 404, "Nothing here"),
        (lambda path: "/answer", 404, "Nothing here"),
    ],
)
def test_a_broken_link_says_so(desk: Reception, spoil: object, status: int, words: str) -> None:
    path = spoil(desk.path())  # type: ignore[operator] # a function
    for answered in (desk.client.get(path), desk.client.post(path, data=form(desk.alarm()))):
        assert (answered.status_code, words in answered.text) == (status, True)
    assert desk.known().state is State.UNACKNOWLEDGED


def test_an_old_link_says_so(desk: Reception) -> None:
    path = desk.path()
    desk.now_ms += desk.lifetime_ms + 1000
    for answered in (desk.client.get(path), desk.client.post(path, data=form(desk.alarm()))):
        assert (answered.status_code, "too old" in answered.text) == (410, True)
    assert desk.known().state is State.UNACKNOWLEDGED


def test_a_link_made_for_something_else_says_so(desk: Reception) -> None:
    claim = Address(purpose=Purpose.CALENDAR, scope="NF-01", edition=1)
    answered = desk.client.get(f"/answer/{desk.links.address(claim)}")
    assert (answered.status_code, "something else" in answered.text) == (404, True)


def test_the_link_of_an_earlier_turn_no_longer_answers(desk: Reception) -> None:
    path = desk.path()
    with desk.database.write() as tx:
        write(tx, [], now_ms=NOON + 1)  # samples that came later show otherwise
        write(tx, [transition(NOON, NOON)], now_ms=NOON + 2)  # and others that it was so
    assert desk.known().turn == 1
    for answered in (desk.client.get(path), desk.client.post(path, data=form(desk.known()))):
        assert "come again" in answered.text
        assert "<form" not in answered.text
    assert desk.known().state is State.UNACKNOWLEDGED
    desk.client.post(desk.path(turn=1), data=form(desk.known()))
    assert desk.known().state is State.ACKNOWLEDGED


def test_what_became_worse_since_it_was_shown_is_not_acknowledged(desk: Reception) -> None:
    shown = desk.alarm()
    desk.rise()
    answered = desk.client.post(desk.path(), data=form(shown))
    assert (answered.status_code, "become worse" in answered.text) == (409, True)
    assert desk.known().state is State.UNACKNOWLEDGED
    # The page that says so asks again, now for what it shows.
    seen = Reader(answered.text).all("input")[0]["value"]
    assert desk.client.post(desk.path(), data={"seen": seen or ""}).status_code == 200
    assert desk.known().state is State.ACKNOWLEDGED
    assert desk.known().priority is Priority.CRITICAL


@pytest.mark.parametrize("seen", ["", "x", ":3", "a:b:c", "other:4", "\x00", "9" * 5000])
def test_what_was_not_on_the_page_is_not_acknowledged(desk: Reception, seen: str) -> None:
    assert desk.client.post(desk.path(), data={"seen": seen}).status_code == 409
    assert desk.known().state is State.UNACKNOWLEDGED


def test_an_alarm_that_is_over_can_still_be_acknowledged(desk: Reception) -> None:
    alarm = desk.alarm()
    with desk.database.write() as tx:
        over = transition(NOON + MINUTE, NOON, active=False)
        write(tx, [over], now_ms=NOON + MINUTE, after_ms=NOON)
    assert "The condition is over, but nobody" in desk.client.get(desk.path()).text
    answered = desk.client.post(desk.path(), data=form(alarm))
    assert "Thank you" in answered.text
    assert desk.known().state is State.NORMAL
    assert "It is over since" in desk.client.get(desk.path()).text


def test_a_store_without_the_alarm_says_so(desk: Reception) -> None:
    path = desk.path()
    with desk.database.write() as tx:
        tx.execute("DELETE FROM outbox")
        for table in ("alarm_event", "alarm"):
            tx.execute(f"DELETE FROM {table}")  # noqa: S608 - ours
    answered = desk.client.get(path)
    assert (answered.status_code, "No such alarm" in answered.text) == (404, True)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "none"}, 200),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 200),
        ({"Origin": "https://fleet.northfold.example"}, 200),  # behind a proxy
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "null"}, 403),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Origin": "http://fleet.northfold.example"}, 403),
    ],
)
def test_a_form_of_another_site_is_refused(
    desk: Reception, headers: dict[str, str], status: int
) -> None:
    answered = desk.client.post(desk.path(), data=form(desk.alarm()), headers=headers)
    assert answered.status_code == status
    acknowledged = desk.known().state is State.ACKNOWLEDGED
    assert acknowledged is (status == 200)


def test_only_a_form_is_taken(desk: Reception) -> None:
    answered = desk.client.post(desk.path(), json=form(desk.alarm()))
    assert answered.status_code == 415
    assert desk.known().state is State.UNACKNOWLEDGED


@pytest.mark.parametrize("chunked", [False, True])
def test_a_request_that_is_too_long_is_refused(desk: Reception, chunked: bool) -> None:
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    text = b"comment=" + b"x" * 200_000
    body = iter([text[:1000], text[1000:]]) if chunked else text
    answered = desk.client.post(desk.path(), content=body, headers=kind)
    assert (answered.status_code, "Too long" in answered.text) == (413, True)
    assert desk.known().state is State.UNACKNOWLEDGED


def test_guessing_is_told_to_wait_and_good_links_still_work(desk: Reception) -> None:
    codes = [desk.client.get(f"/answer/guess-{n}").status_code for n in range(MOST + 5)]
    assert codes == [404] * MOST + [429] * 5
    assert desk.client.get("/answer/guess").headers["Retry-After"] == "60"
    assert desk.client.get(desk.path()).status_code == 200


HEADERS = {
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
    "x-robots-tag": "noindex, nofollow, noarchive",
    "x-frame-options": "DENY",
}


@pytest.mark.parametrize("path", ["", "/answer/x", "/nothing", "/robots.txt", "/favicon.ico"])
def test_every_answer_has_its_headers(desk: Reception, path: str) -> None:
    for method in ("GET", "POST", "HEAD"):
        found = desk.client.request(method, path or desk.path()).headers
        assert {name: found.get(name) for name in HEADERS} == HEADERS
        policy = dict(
            part.split(" ", 1) for part in found["content-security-policy"].split("; ")
        )
        assert policy["default-src"] == "'none'"
        assert policy["form-action"] == "'self'"
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in found["content-security-policy"]
        assert "server" not in found


def test_a_page_fetches_nothing_and_runs_nothing(desk: Reception) -> None:
    page = Reader(desk.client.get(desk.path()).text)
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "img", "link", "iframe", "object", "embed", "base", "a"}
    assert not [attrs for _, attrs in page.tags if any(a.startswith("on") for a in attrs)]
    assert not [attrs for _, attrs in page.tags if "style" in attrs]


def test_names_and_comments_carry_no_markup(desk: Reception) -> None:
    sent = form(desk.alarm(), name="<u>Omar</u>", comment='"><script>alert(1)</script>')
    answered = desk.client.post(desk.path(person=""), data=sent).text
    page = Reader(answered)
    assert not {"script", "u", "recovery"} & {tag for tag, _ in page.tags}
    assert '"><script>alert(1)</script>' in page.text
    assert "Heavy recovery co" in page.text


def test_every_field_has_its_label(desk: Reception) -> None:
    """WCAG 2, success criteria 1.3.1 and 3.1.1: labels belong to fields, the language is said."""
    page = Reader(desk.client.get(desk.path(person="")).text)
    shown = [each for each in page.all("input") if each["type"] != "hidden"]
    fields = {each["id"] for each in [*shown, *page.all("textarea")]}
    assert fields == {each["for"] for each in page.all("label")} == {"name", "comment"}
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("h1")) == len(page.all("main")) == 1


def test_a_fault_of_ours_is_said_and_the_server_goes_on(
    desk: Reception, capfd: pytest.CaptureFixture[str]
) -> None:
    path = desk.path()
    with desk.database.write() as tx:
        tx.execute("ALTER TABLE link_key RENAME TO link_key_gone")
    answered = desk.client.get(path)
    assert (answered.status_code, "our fault" in answered.text) == (500, True)
    assert answered.headers["cache-control"] == "no-store"
    with desk.database.write() as tx:
        tx.execute("ALTER TABLE link_key_gone RENAME TO link_key")
    assert desk.client.get(path).status_code == 200
    logged = ""

    def told() -> bool:
        nonlocal logged
        logged += "".join(capfd.readouterr())
        return "web.failed" in logged

    until(told)  # the answer may be here before the log's line is
    token = path.removeprefix("/answer/")
    assert token not in re.sub(r"\s", "", logged)


def bundle(desk: Reception, count: int) -> str:
    """Raise the alarms of so many trucks, send them in one notice, and give its link for all."""
    for number in range(1, count + 1):
        desk.alarm(f"NF-{number:02}")
    with desk.database.write() as tx:
        look = Look(channel="desk", bundles=True, now_ms=NOON + MINUTE)
        taken = gathering.take(tx, look)
    assert taken is not None
    claim = Answer(person="ines", sending=taken.id)
    return f"/answer/{desk.links.answer(claim, NOON)}"


def test_one_press_answers_all_alarms_of_a_notice(desk: Reception) -> None:
    path = bundle(desk, 3)
    page = Reader(desk.client.get(path).text)
    assert "3 are not acknowledged yet." in page.text
    assert "I have seen all 3" in page.text
    seen = page.all("input")[0]["value"] or ""
    answered = desk.client.post(path, data={"seen": seen, "comment": "a heat wave"})
    assert "3 are written down as acknowledged" in answered.text
    for number in (1, 2, 3):
        known = desk.alarm(f"NF-{number:02}")
        assert (known.state, known.comment) == (State.ACKNOWLEDGED, "a heat wave")
    again = desk.client.post(path, data={"seen": seen})
    assert "3 were acknowledged already" in again.text
    assert "<form" not in again.text


def test_of_several_only_what_stood_on_the_page_is_answered(desk: Reception) -> None:
    path = bundle(desk, 3)
    seen = Reader(desk.client.get(path).text).all("input")[0]["value"] or ""
    desk.rise("NF-02")
    answered = desk.client.post(path, data={"seen": seen})
    assert answered.status_code == 409
    assert "2 are written down" in answered.text
    assert "1 became worse" in answered.text
    assert desk.alarm("NF-02").state is State.UNACKNOWLEDGED


def test_five_hundred_alarms_fit_into_one_answer(desk: Reception) -> None:
    path = bundle(desk, 500)
    seen = Reader(desk.client.get(path).text).all("input")[0]["value"] or ""
    answered = desk.client.post(path, data={"seen": seen})
    assert "500 are written down as acknowledged" in answered.text


def test_the_clock_of_the_daemon_counts(desk: Reception) -> None:
    path = desk.path()
    desk.now_ms += 6 * DAY_MS
    assert desk.client.get(path).status_code == 200
