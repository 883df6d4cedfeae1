"""The page of a truck's history: spans, lines, alarms, files to take along."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import ExitStack
from urllib.parse import parse_qs, urlparse
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from ingest import record
from ingest.entry import Entry
from models.sample import SIGNAL_NAMES
from review import history
from review.console import history_files
from review.console.span_choice import DAY_MS, LEAST_MS, chosen
from review.problems import Mistake
from simulator.northfold import START_MS
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, stage

PATH = "/trucks/NF-03/history"
ZONE = ZoneInfo("America/Denver")


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("history")) as staged:
        yield staged


def span(query: dict[str, str], *, live: bool = False) -> tuple[int, int]:
    found = chosen(
        query,
        oldest_ms=END_MS - 400 * DAY_MS,
        newest_ms=END_MS,
        fill_ms=END_MS - 90 * DAY_MS,
        live=live,
        zone=ZONE,
    )
    return found.first_ms, found.last_ms


@pytest.mark.parametrize(
    ("name", "days"), [("day", 1), ("week", 7), ("month", 30), ("year", 365), ("fill", 90)]
)
def test_presets_end_at_the_newest_sample(name: str, days: int) -> None:
    assert span({"span": name}) == (END_MS - days * DAY_MS, END_MS)


def test_dates_are_days_of_the_fleets_zone() -> None:
    """pandas' calendar is the outside source; on 8 March 2026 a day there has 23 hours."""
    first, last = span({"from": "2026-03-08", "to": "2026-03-08"})
    assert first == pd.Timestamp("2026-03-08", tz=ZONE).timestamp() * 1000
    assert last == pd.Timestamp("2026-03-09", tz=ZONE).timestamp() * 1000
    assert last - first == 23 * 3_600_000
    assert span({"to": "2026-03-08"}) == (first, last)


def test_a_new_truck_has_a_short_span_not_an_empty_one() -> None:
    young = chosen(
        {}, oldest_ms=END_MS - 3_600_000, newest_ms=END_MS, fill_ms=0, live=True, zone=ZONE
    )
    assert (young.first_ms, young.last_ms) == (END_MS - 3_600_000, END_MS)
    first = chosen({}, oldest_ms=END_MS, newest_ms=END_MS, fill_ms=0, live=True, zone=ZONE)
    assert first.length_ms == LEAST_MS


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ({"span": "decade"}, "'decade' is no span; choose day"),
        ({"first": "5", "last": "3"}, "ends before it begins"),
        ({"first": "5"}, "needs first and last"),
        ({"from": "16.6.2026"}, "is no date; write one like 2026-06-16"),
        ({"first": "5", "last": "9" * 30}, "between 1970 and 2199"),
        ({"first": "-" + "9" * 30, "last": "5"}, "between 1970 and 2199"),
        ({"from": "9999-12-31"}, "lies too far away"),
        ({"from": "0001-01-01", "to": "2026-06-16"}, "lies too far away"),
    ],
)
def test_what_is_no_span_is_said(query: dict[str, str], told: str) -> None:
    with pytest.raises(Mistake, match=told):
        span(query)


def test_the_page_has_the_alarms_and_leads_on(at: Stage) -> None:
    text = at.client.get(PATH).text
    assert "Cooler bypass valve stuck" in text
    assert "and it goes on" in text
    assert text.count("Show in the chart") == 2
    assert 'href="/review/NF-03?until=' in text
    assert 'aria-current="true">24 hours' in text


def test_the_span_before_and_after_are_a_step_away(at: Stage) -> None:
    hour = {"first": str(START_MS + 3_600_000), "last": str(START_MS + 7_200_000)}
    text = at.client.get(PATH, params=hour).text
    before = text.split('rel="prev" href="')[1].split('"')[0].replace("&amp;", "&")
    asked = parse_qs(urlparse(before).query)
    assert asked == {"first": [str(START_MS)], "last": [str(START_MS + 3_600_000)]}
    assert 'rel="next"' in text
    assert 'rel="next"' not in at.client.get(PATH).text


def test_lines_are_chosen(at: Stage) -> None:
    text = at.client.get(PATH, params={"signals": ["speed_km_h", "engine_rpm"]}).text
    assert "signals=fluid_temp_c&amp;signals=speed_km_h&amp;signals=engine_rpm" in text
    assert 'value="speed_km_h" checked' in text


@pytest.mark.parametrize(
    ("path", "status", "told"),
    [
        ("/trucks/NF-99/history", 404, "the nearest known truck is"),
        (f"{PATH}?span=decade", 400, "choose day, week"),
        (f"{PATH}?signals=gear", 400, "cannot be drawn"),
        (f"{PATH}/file?first=1&last=2&detail=all", 400, "choose there"),
        (f"{PATH}/file?first=5&last=2&detail=raw", 400, "choose there"),
        (f"{PATH}/file?first={'9' * 30}&last={'9' * 29}99&detail=raw", 400, "choose there"),
        (f"{PATH}/file?first=1&last={'9' * 5000}&detail=raw", 400, "choose there"),
        (
            f"/trucks/NF-99/history/file?first={START_MS}&last={END_MS}&detail=raw",
            404,
            "no truck",
        ),
    ],
)
def test_what_cannot_be_shown_is_said(at: Stage, path: str, status: int, told: str) -> None:
    answer = at.client.get(path)
    assert answer.status_code == status
    assert told.lower() in answer.text.lower()


def test_a_number_beyond_all_bounds_is_said_too(at: Stage) -> None:
    answer = at.client.get(PATH, params={"first": "5", "last": "9" * 30})
    assert answer.status_code == 400
    assert "between 1970 and 2199" in answer.text


def test_a_truck_never_heard_says_so(at: Stage) -> None:
    entry = Entry(
        vehicle="NF-77",
        kind="register",
        time_ms=END_MS,
        who="Omar",
        entered_ms=END_MS,
        words={"circuit": "full_flow"},
    )
    with at.database.write() as tx:
        record.add(tx, entry)
    answer = at.client.get("/trucks/NF-77/history")
    assert answer.status_code == 404
    assert "never heard" in answer.text


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_the_file_holds_the_samples_of_the_store(at: Stage, form: str) -> None:
    """Read back by pandas."""
    span_ms = {"first": str(START_MS), "last": str(END_MS)}
    answer = at.client.get(f"{PATH}/file", params={**span_ms, "detail": "raw", "form": form})
    assert answer.status_code == 200
    name = answer.headers["content-disposition"]
    assert name == f'attachment; filename="NF-03_2026-06-16_2026-06-16_samples.{form}"'
    body = io.BytesIO(answer.content)
    if form == "csv":
        told = pd.read_csv(body, encoding="utf-8-sig")
        times = pd.to_datetime(told["time"], utc=True)
    else:
        told = pd.read_parquet(body)
        times = pd.to_datetime(told["time"], utc=True)
    with at.database.read() as conn:
        raw = history.samples(conn, "NF-03", START_MS, END_MS)
    ms = (times - pd.Timestamp(0, tz="UTC")) // pd.Timedelta(milliseconds=1)
    assert ms.tolist() == raw["time_ms"].tolist()
    for signal in SIGNAL_NAMES:
        values = pd.to_numeric(told[signal]).to_numpy(dtype=float)
        np.testing.assert_allclose(values, raw[signal], rtol=1e-6)
    with at.database.read() as conn:
        rows = conn.execute(
            "SELECT about FROM audit WHERE what = 'history.exported'"
        ).fetchall()
    assert (f"NF-03_2026-06-16_2026-06-16_samples.{form}",) in rows


def test_a_file_of_many_weeks_has_one_heading(at: Stage) -> None:
    span_ms = {"first": str(START_MS - 40 * DAY_MS), "last": str(END_MS)}
    answer = at.client.get(f"{PATH}/file", params={**span_ms, "detail": "1h", "form": "csv"})
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert sum(line.startswith("time,") for line in lines) == 1
    with at.database.read() as conn:
        hours = history.rollup(conn, "NF-03", START_MS, END_MS, step="1h")
    assert len(lines) == 1 + len(hours.start_ms)


def test_who_asks_for_many_whole_files_takes_no_page_its_thread(at: Stage) -> None:
    """Two are written at one time; who comes then is told to come again, and the others still work."""
    asked = f"/trucks/NF-03/history/file?form=parquet&detail=raw&first={START_MS}&last={END_MS}"
    with ExitStack() as turns:
        for _ in range(2):
            assert history_files._TURNS.acquire(blocking=False)
            turns.callback(history_files._TURNS.release)
        said = at.client.get(asked)
        assert (said.status_code, "Try again in a moment" in said.text) == (503, True)
        assert at.client.get(asked.replace("parquet", "csv")).status_code == 200
    assert at.client.get(asked).status_code == 200
