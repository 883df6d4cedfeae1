"""The stream of what changes: server-sent events by the HTML living standard (WHATWG)."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx
import pytest
from starlette.routing import Route

from deploy.waiting import until
from review.access.visitor import Role
from review.console.live import Live
from review.web.server import WebServer
from review.web.site import site
from tests.review.day_pipeline import Trucks
from tests.review.stage import Stage, signed_in, stage


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as found:
        yield found


@contextmanager
def stream(
    client: httpx.Client, path: str = "/live", **headers: str
) -> Iterator[Iterator[dict[str, str]]]:
    """Listen; give the events one by one, comments as events without a name."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    with client.stream("GET", path, headers=named, timeout=20.0) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        yield _events(answer)


def _events(answer: httpx.Response) -> Iterator[dict[str, str]]:
    """Read by the rules of the standard's section 9.2.6: fields, comments, a blank line ends an event."""
    event: dict[str, str] = {}
    for line in answer.iter_lines():
        if not line:
            if event:
                yield event
            event = {}
        elif line.startswith(":"):
            event["comment"] = line[1:].strip()
        else:
            name, _, value = line.partition(":")
            event[name] = value.removeprefix(" ")


def news(events: Iterator[dict[str, str]]) -> dict[str, str]:
    return next(event for event in events if event.get("event"))


def test_it_tells_which_truck_changed(at: Stage) -> None:
    trucks = Trucks(at.database)
    mark = at.house.board.now().mark
    with stream(at.client, f"/live?from={mark}") as events:
        assert next(events)["retry"] == "3000"
        trucks.send("NF-08", fluid_temp_c=101.0)
        told = news(events)
    assert told["event"] == "change"
    assert json.loads(told["data"]) == {"trucks": ["NF-08"], "read": 10, "of": 10}
    assert told["id"] == at.house.board.now().mark != mark


def test_who_was_away_hears_what_they_missed(at: Stage) -> None:
    trucks = Trucks(at.database)
    mark = at.house.board.now().mark
    trucks.send("NF-02", fluid_temp_c=60.0)
    trucks.send("NF-09", fluid_temp_c=90.0)
    at.house.board.refresh()
    with stream(at.client, last_event_id=mark) as events:
        assert json.loads(news(events)["data"])["trucks"] == ["NF-02", "NF-09"]


@pytest.mark.parametrize("mark", ["", "another-run-7", "0-", "0-x", "0--1"])
def test_of_a_mark_that_is_not_ours_all_is_told(at: Stage, mark: str) -> None:
    with stream(at.client, last_event_id=mark) as events:
        assert json.loads(news(events)["data"])["trucks"] is None


def test_it_is_for_who_is_signed_in(at: Stage) -> None:
    answer = httpx.get(at.url + "/live")
    assert answer.status_code == 401
    assert "text/event-stream" not in answer.headers["content-type"]


@contextmanager
def served(at: Stage, live: Live) -> Iterator[httpx.Client]:
    """Serve a stream with settings of the test's own, for whoever is signed in at the stage."""
    server = WebServer(site([Route("/live", live.answer)]), bind="127.0.0.1", port=0)
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        with httpx.Client(
            base_url=f"http://127.0.0.1:{server.address[1]}", cookies=at.client.cookies
        ) as client:
            yield client
    finally:
        assert server.stop()


def test_a_quiet_line_is_kept_alive(at: Stage) -> None:
    live = Live(at.house, heartbeat_s=0.05)
    mark = at.house.board.now().mark
    with served(at, live) as client, stream(client, f"/live?from={mark}") as events:
        next(events)
        assert [next(events)["comment"] for _ in range(3)] == ["still here"] * 3


def test_who_comes_when_many_listen_is_asked_to_come_again(at: Stage) -> None:
    live = Live(at.house, most=2)
    with served(at, live) as client:
        with ExitStack() as open_:
            held = [open_.enter_context(stream(client)) for _ in range(2)]
            assert [next(events)["retry"] for events in held] == ["3000", "3000"]
            refused = client.get("/live")
            assert refused.status_code == 503
            assert int(refused.headers["retry-after"]) > 0
        assert until(lambda: live.listening == 0, 10.0)
        with stream(client) as events:
            next(events)


def test_it_ends_when_the_session_does(at: Stage) -> None:
    live = Live(at.house, heartbeat_s=0.05, spacing_s=0.0)
    with served(at, live) as client, stream(client) as events:
        next(events)
        with at.database.write() as tx:
            tx.execute("DELETE FROM session")
        assert news(e for e in events if e.get("event") == "ended")["data"] == "{}"
        assert list(events) == []
    assert until(lambda: live.listening == 0, 10.0)


def test_it_ends_at_once_when_the_daemon_does(tmp_path: Path) -> None:
    with stage(tmp_path) as at:
        ended = threading.Event()

        def listen() -> None:
            with signed_in(at, Role.VIEWER) as client, stream(client) as events:
                for _ in events:
                    listening.set()
            ended.set()

        listening = threading.Event()
        threading.Thread(target=listen, daemon=True).start()
        assert listening.wait(10.0)
        began = time.monotonic()
        assert at.house.board.stop()
        assert ended.wait(10.0)
        assert time.monotonic() - began < 9.0  # not the heartbeat's fifteen seconds


def test_listeners_take_no_worker_thread(at: Stage) -> None:
    """AnyIO, under Starlette, has 40 threads for pages: more listeners than that leave them free."""
    with ExitStack() as open_:
        held = [open_.enter_context(stream(at.client)) for _ in range(45)]
        assert all(next(events)["retry"] == "3000" for events in held)
        assert at.client.get("/").status_code == 200


def test_to_ask_for_its_head_opens_no_stream(at: Stage) -> None:
    answer = at.client.head("/live")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/event-stream")
