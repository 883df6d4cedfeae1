"""The what-if pages: the answer of the command, one computed at a time, said while it takes."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
import structlog

from models.units import METRIC
from models.what_if_figures import Band, Change, Outcome
from review import what_if_words as words
from review.console.what_if_page import Asked
from review.console.what_if_view import WIDTH, Bar, sentence, view_of
from review.problems import Mistake
from review.what_if import Answer, answer
from review.what_if_desk import KEPT, MOST_WAITING, Busy, Question, Waiting, WhatIfDesk
from tests.review.browser import DESK, PHONE, browser, serious, wide
from tests.review.northfold_day import END_MS, reader
from tests.review.stage import Stage, stage

PATH = "/what-if/NF-03"


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("what-if")) as staged:
        yield staged


@pytest.fixture(scope="module")
def told(at: Stage) -> Answer:
    """What the command answers by itself."""
    with at.database.read() as conn:
        return answer(conn, reader(), "NF-03")


def page(at: Stage, path: str = PATH) -> str:
    """Read a page, asking again while it is computed."""
    for _ in range(30):
        found = at.client.get(path, timeout=60.0)
        if found.status_code != 202:
            assert found.status_code == 200, found.text
            return found.text
        assert "It is being computed" in found.text
    raise AssertionError(f"{path} was never answered")


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("&#39;", "'")


def test_it_says_what_the_command_says(at: Stage, told: Answer) -> None:
    text = plain(page(at))
    for outcome in told.found.outcomes:
        name, *cells = words.row(outcome, METRIC)
        for cell in cells:
            assert cell.replace("\n", " ") in text, (name, cell)
    for line in words.remarks(told, METRIC, where="the page of NF-03"):
        assert line in text
    for line in words.cautions(told):
        assert line in text
    assert "Mend that first" in text
    assert "nothing reached the cooler" in text
    assert "heatbook fleet show" not in text


def test_other_changes_are_answered_each_and_together(at: Stage) -> None:
    text = plain(page(at, f"{PATH}?cooler=1.5&load=0.9&together=on&days=1"))
    for name in ("Cooler × 1.5", "10% less load", "Cooler × 1.5, 10% less load"):
        assert f"{name}:" in text
    assert "Full-flow block:" not in text


def test_what_a_circuit_cannot_have_is_not_offered(at: Stage) -> None:
    trucks = at.house.reader.fleet.vehicles
    other = next(name for name, each in trucks.items() if each.circuit == "full_flow")
    text = page(at, f"/what-if/{other}?full_flow=on&cleaned=on&days=1")
    assert 'name="full_flow"' not in text
    assert "Full-flow block" not in text
    assert 'name="full_flow"' in page(at)


def test_the_list_leads_to_every_truck(at: Stage) -> None:
    text = at.client.get("/what-if").text
    for name in at.house.board.now().trucks:
        assert f'href="/what-if/{name}"' in text


def test_what_cannot_be_answered_is_said(at: Stage) -> None:
    unknown = at.client.get("/what-if/NF-99")
    assert unknown.status_code == 404
    assert "nearest known truck" in unknown.text


def test_an_address_that_asks_for_nonsense_asks_for_the_usual() -> None:
    asked = Asked.of({"cooler": "99", "load": "-1", "days": "9999"})
    assert asked == Asked.of({})
    assert asked.changes(1) == ()


def test_changes_follow_the_circuit() -> None:
    asked = Asked.of({"full_flow": "on", "cleaned": "on", "together": "on"})
    assert asked.changes(1) == (
        Change(full_flow=True),
        Change(cleaned=True),
        Change(full_flow=True, cleaned=True),
    )
    assert asked.changes(2) == (Change(cleaned=True),)  # one alone is not put together


def outcome(hottest_c: float, of_as_was: float) -> Outcome:
    nothing = Band(low=0.0, best=0.0, high=0.0)
    return Outcome(
        change=Change(full_flow=True),
        hottest_c=Band(low=hottest_c, best=hottest_c, high=hottest_c),
        over_limit_h=nothing,
        over_h=(),
        cold_h=nothing,
        equivalent_h=nothing,
        soaked_h=nothing,
        life=nothing,
        of_as_was=Band(low=of_as_was, best=of_as_was, high=of_as_was),
        kinetic_c=nothing,
    )


@pytest.mark.parametrize(
    ("hottest_c", "share", "said"),
    [
        (110.0, 0.4, "10 °C cooler at the hottest, 60% less of the fluid's life used."),
        (125.0, 1.2, "5 °C hotter at the hottest, 20% more of the fluid's life used."),
        (120.2, 0.9, "as hot at the hottest, 10% less of the fluid's life used."),
        (112.0, 1.01, "8 °C cooler at the hottest, as much of the fluid's life used."),
        (120.4, 1.02, "no difference that the model can tell."),
    ],
)
def test_the_sentence(hottest_c: float, share: float, said: str) -> None:
    found = sentence(outcome(120.0, 1.0), outcome(hottest_c, share), METRIC)
    assert found == f"Full-flow block: {said}"


def test_the_pictures_keep_their_proportions(told: Answer) -> None:
    view = view_of(told, METRIC)
    lengths = [number(r'x="0" y="5" width="([\d.]+)"', bar) for bar in view.life]
    best = [each.life.best for each in told.found.outcomes]
    most = max(each.life.high for each in told.found.outcomes)
    for length, share in zip(lengths, best, strict=True):
        assert length == pytest.approx(max((WIDTH - 4) * share / most, 1.5), abs=0.1)
    places = [number(r'wi-point [\w-]+" d="M([\d.]+) ', bar) for bar in view.hottest]
    limits = {number(r'wi-limit" d="M([\d.]+) ', bar) for bar in view.hottest}
    hottest = [each.hottest_c.best for each in told.found.outcomes]
    (limit,) = limits
    assert [place > limit for place in places] == [each > told.limit_c for each in hottest]
    assert sorted(range(5), key=lambda at: places[at]) == sorted(
        range(5), key=lambda at: hottest[at]
    )


def number(pattern: str, bar: Bar) -> float:
    found = re.search(pattern, bar.drawing)
    assert found is not None
    return float(found[1])


def question(number: int = 0) -> Question:
    return Question(truck=f"NF-{number:02d}", basis="b", since_ms=0, until_ms=END_MS)


def test_a_question_is_computed_once_and_one_at_a_time(told: Answer) -> None:
    running, most, count = [], [0], [0]

    def compute(asked: Question) -> Answer:
        running.append(asked)
        most[0] = max(most[0], len(running))
        count[0] += 1
        threading.Event().wait(0.02)
        running.pop()
        return replace(told, vehicle=asked.truck)

    desk = WhatIfDesk(compute, wait_s=20.0)
    found: list[Answer | Waiting] = []
    asks = [
        threading.Thread(target=lambda n=n: found.append(desk.ask(question(n % 3))))
        for n in range(9)
    ]
    for each in asks:
        each.start()
    for each in asks:
        each.join(20.0)
    assert sorted(each.vehicle for each in found if isinstance(each, Answer)) == sorted(
        ["NF-00", "NF-01", "NF-02"] * 3
    )
    assert most == [1]
    assert count == [3]


def test_who_waits_too_long_is_told_and_finds_it_later(told: Answer) -> None:
    go = threading.Event()

    def compute(asked: Question) -> Answer:
        assert go.wait(20.0)
        return told

    desk = WhatIfDesk(compute, wait_s=0.01)
    assert desk.ask(question(0)) == Waiting(before=0)
    assert desk.ask(question(1)) == Waiting(before=1)
    for number in range(2, MOST_WAITING):
        desk.ask(question(number))
    with pytest.raises(Busy):
        desk.ask(question(MOST_WAITING))
    assert isinstance(desk.ask(question(1)), Waiting)  # it is in already
    go.set()
    patient = WhatIfDesk(compute, wait_s=20.0)
    assert patient.ask(question(1)) is told
    for _ in range(2000):
        if desk.ask(question(1)) is told:
            break
    assert desk.ask(question(1)) is told


def test_a_mistake_is_told_each_time_and_a_fault_is_tried_again(told: Answer) -> None:
    tries = [0]

    def compute(asked: Question) -> Answer:
        if asked.truck == "NF-00":
            raise Mistake("no sample")
        tries[0] += 1
        if tries[0] == 1:
            raise ZeroDivisionError
        return told

    desk = WhatIfDesk(compute, wait_s=20.0)
    for _ in range(2):
        with pytest.raises(Mistake, match="no sample"):
            desk.ask(question(0))
    with structlog.testing.capture_logs() as lines, pytest.raises(RuntimeError, match="NF-01"):
        desk.ask(question(1))
    assert [line["event"] for line in lines] == ["what_if.failed"]
    assert desk.ask(question(1)) is told


def test_only_the_newest_answers_are_kept(told: Answer) -> None:
    count = [0]

    def compute(asked: Question) -> Answer:
        count[0] += 1
        return told

    desk = WhatIfDesk(compute, wait_s=20.0)
    for number in range(KEPT + 5):
        desk.ask(question(number))
    desk.ask(question(KEPT + 4))
    assert count == [KEPT + 5]
    desk.ask(question(0))
    assert count == [KEPT + 6]


def test_in_a_browser_it_waits_shows_and_is_clean(at: Stage) -> None:
    trouble: list[str] = []
    with browser() as chromium:
        for options in ({"viewport": PHONE}, {"viewport": DESK, "color_scheme": "dark"}):
            context = chromium.new_context(**options)
            context.add_cookies(
                [
                    {"name": each.name, "value": each.value or "", "url": at.url}
                    for each in at.client.cookies.jar
                ]
            )
            look = context.new_page()
            look.on(
                "console",
                lambda said: trouble.append(said.text) if said.type == "error" else None,
            )
            look.goto(f"{at.url}{PATH}?cooler=2&days=28", timeout=60_000)
            look.wait_for_selector(".pictures", timeout=60_000)
            assert serious(look) == []
            assert wide(look) == 0
            look.goto(f"{at.url}/what-if")
            assert serious(look) == []
            assert wide(look) == 0
            assert trouble == []
            context.close()
