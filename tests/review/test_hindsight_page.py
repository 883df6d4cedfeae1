"""The page of a look back: asked for and followed in a browser, without scripts too; one at a time."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.database import Database
from review.access.visitor import Role
from review.hindsight import runs as runs_module
from review.hindsight.asked import Asked
from review.hindsight.compared import Progress, compared
from review.hindsight.found import Compared
from review.hindsight.other import Other
from review.hindsight.runs import Busy, Run, Runs
from review.reading import Reader
from review.store import Readable
from simulator.northfold import START_MS
from tests.review.browser import DESK, PHONE, browser, serious, wide
from tests.review.northfold_day import END_MS, day_store, reader
from tests.review.stage import Stage, page_signed_in, signed_in, stage

DAY = "2026-06-16"


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("day")) as found:
        yield found


def form(at: Stage, **values: str) -> dict[str, str]:
    del at
    return {"from": DAY, "to": DAY, "truck": "", **values}


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_other_limits_are_asked_for_and_shown(at: Stage, size: dict[str, int]) -> None:
    with browser() as started:
        page = started.new_page(viewport=size)  # type: ignore[arg-type] # as Playwright has it
        page_signed_in(page, at, path="/hindsight")
        assert serious(page) == []
        page.get_by_label("From the day").fill(DAY)
        page.get_by_label("To the day").fill(DAY)
        page.get_by_label("Truck", exact=True).select_option("NF-05")
        page.get_by_label("Too hot from").fill("112C")
        page.get_by_role("button", name="Look back").click()
        page.get_by_role("heading", name="By truck").wait_for(timeout=60_000)
        assert page.get_by_text("1 alarm would have come sooner").is_visible()
        assert page.get_by_text("6 minutes sooner").is_visible()
        assert page.get_by_role(
            "img", name=re.compile("NF-05, over temperature: 1 as it is")
        ).is_visible()
        assert serious(page) == []
        assert wide(page) <= 0


def test_it_works_without_scripts(at: Stage) -> None:
    with browser() as started:
        page = started.new_context(java_script_enabled=False).new_page()
        page_signed_in(page, at, path="/hindsight")
        page.get_by_label("From the day").fill(DAY)
        page.get_by_label("To the day").fill(DAY)
        page.get_by_label("Truck", exact=True).select_option("NF-07")
        page.get_by_role("button", name="Look back").click()
        for _ in range(100):
            if page.get_by_role("heading", name="By truck").count():
                break
            page.wait_for_timeout(100)
            page.get_by_role("link", name="Look again").click()
        assert page.get_by_text("The same alarms at the same times.").is_visible()


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"too_hot": "warm"}, "Too hot from"),
        ({"too_hot": "20C"}, "give a number from 30 to 200"),
        ({"from": "yesterday"}, "no day"),
        ({"false_alarms": "many"}, "no number"),
        ({"from": "2026-06-17"}, "begins before it ends"),
    ],
)
def test_what_cannot_be_read_is_said_and_the_form_stays_filled_in(
    at: Stage, values: dict[str, str], says: str
) -> None:
    answer = at.client.post("/hindsight", data=form(at, critical="150C", **values))
    assert answer.status_code == 422
    assert says in answer.text
    assert 'value="150C"' in answer.text


def test_a_viewer_looks_and_starts_nothing(at: Stage) -> None:
    with signed_in(at, Role.VIEWER) as kim:
        assert "you need the role technician" in kim.get("/hindsight").text
        assert kim.post("/hindsight", data=form(at)).status_code == 403


def test_one_that_is_gone_is_said_to_be(at: Stage) -> None:
    assert at.client.get("/hindsight/9999").status_code == 404
    assert at.client.get("/hindsight/9999/progress").json() == {"phase": "gone"}


# In a thread, one at a time


@pytest.fixture
def held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Runs, threading.Event]]:
    """Give runs that wait, after their first step, until they are let go."""
    store: Database = day_store(tmp_path)
    go = threading.Event()

    def slowly(
        store: Readable, reader: Reader, asked: Asked, *, progress: Progress
    ) -> Compared:
        def on(truck: str, share: float) -> None:
            progress(truck, share)
            assert go.wait(30.0)
            progress(truck, share)

        return compared(store, reader, asked, progress=on)

    monkeypatch.setattr(runs_module, "compared", slowly)
    yield Runs(store, reader()), go
    go.set()
    for thread in threading.enumerate():
        if thread.name == "hindsight":
            thread.join(60.0)
    store.close()


def asked(truck: str = "NF-07") -> Asked:
    return Asked(since_ms=START_MS, until_ms=END_MS, other=Other(), truck=truck)


def ended(run: Run) -> None:
    for thread in threading.enumerate():
        if thread.name == "hindsight":
            thread.join(60.0)
    assert run.phase != "running"


def test_one_runs_at_a_time(held: tuple[Runs, threading.Event]) -> None:
    runs, go = held
    run = runs.start(asked(), "Ines")
    with pytest.raises(Busy):
        runs.start(asked(), "Omar")
    go.set()
    ended(run)
    assert run.phase == "done"
    assert run.found is not None
    assert runs.start(asked(), "Omar").number == 2


def test_it_can_be_stopped(held: tuple[Runs, threading.Event]) -> None:
    runs, go = held
    run = runs.start(asked(), "Ines")
    run.stopping.set()
    go.set()
    ended(run)
    assert (run.phase, run.found) == ("stopped", None)


def test_a_mistake_is_told(held: tuple[Runs, threading.Event]) -> None:
    runs, go = held
    go.set()
    run = runs.start(asked("NF-33"), "Ines")
    ended(run)
    assert run.phase == "failed"
    assert "NF-33" in run.why


def test_only_the_last_few_are_kept(held: tuple[Runs, threading.Event]) -> None:
    runs, go = held
    go.set()
    for _ in range(runs_module.KEPT + 2):
        ended(runs.start(asked("NF-33"), "Ines"))
    assert len(runs.all()) == runs_module.KEPT
    assert runs.get(1) is None
    assert runs.all()[0].number == runs_module.KEPT + 2
