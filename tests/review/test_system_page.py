"""How Heatbook does, on the console: what it says is what the store holds; what is done there is done."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import sending
from alerts.figure_lines import lines
from alerts.figure_reader import figures_of
from alerts.figure_rows import Rows
from alerts.figures import DAY_MS, figures
from alerts.figures import Rules as FigureRules
from deploy.database import Database
from ingest import inbox, postponed, quarantine
from ingest.decoded import REASONS, Refused
from models.transition import Priority
from review.access.visitor import Role
from review.figure_bars import load_bars, priority_bars
from review.system_facts import _within, system_facts
from tests.alerts.store import NOON, take, transition, write
from tests.ingest.folded import newcomer
from tests.recorded import climb, records
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, house_of, served, signed_in, stage

HOT = b'{"time":1767268800,"seq":1,"fluid_temp_c":"hot","speed_km_h":50}'


def refuse(
    database: Database, reason: str, truck: str, raw: bytes = HOT, *, at_ms: int = NOON
) -> None:
    refused = Refused(
        reason=reason, field="fluid_temp_c", detail="send <a number> in °C", raw=raw
    )
    with database.write() as tx:
        quarantine.keep(
            tx,
            topic=f"fleet/{truck}/telemetry",
            vehicle=truck,
            refused=refused,
            received_ms=at_ms,
            limit_rows=100,
            limit_bytes=1_000_000,
        )


def give_up(database: Database, *trucks: str) -> None:
    with database.write() as tx:
        for truck in trucks:
            write(tx, [transition(NOON, NOON, vehicle=truck)], now_ms=NOON, vehicle=truck)
            claimed = take(tx, "phone", NOON)
            assert claimed is not None
            sending.give_up(tx, claimed, NOON, "550 no [such] user")


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with served(house_of(database), database) as at:
        yield at


def text(page: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", page)))


def test_a_store_in_which_nothing_is_says_so(at: Stage) -> None:
    said = text(at.client.get("/system").text)
    for words in (
        "Last written down nothing yet",
        "Nothing that was refused waits.",
        "Given up None.",
    ):
        assert words in said
    assert "0 alarms in four weeks" in said
    assert at.house.reader.version in said


def test_a_day_is_told_as_the_store_holds_it(tmp_path: Path) -> None:
    with stage(tmp_path) as at:
        said = text(at.client.get("/system?days=7").text)
        with at.database.read() as conn:
            facts = system_facts(conn)
            found = figures_of(conn, since_ms=END_MS - 7 * DAY_MS, until_ms=END_MS)
            (commits,) = conn.execute("SELECT count(*) FROM journal").fetchone()
    assert facts.arrival.commits == commits > 100
    assert f"(the newest {commits:,} writes)" in said
    assert found.load.alarms > 0
    assert f"{found.load.alarms} alarms in a week" in said
    for line in lines(found):
        assert f"{line.about} {line.figure}" in said


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=60), st.sampled_from([0.5, 0.95]))
def test_what_so_many_do_not_exceed(late: list[int], share: float) -> None:
    """The nearest rank: the least value that so large a share does not exceed."""
    found = _within(sorted(late), share)
    assert found is not None
    assert sum(each <= found for each in late) >= share * len(late)
    assert sum(each < found for each in late) < share * len(late)
    assert _within([], share) is None


def test_what_was_refused_stands_there_by_its_reason_and_is_not_markup(at: Stage) -> None:
    for nth, reason in enumerate(("wrong_type", "wrong_type", "naive_time")):
        refuse(at.database, reason, f"NF-0{nth}")
    refuse(at.database, "naive_time", "NF-02")
    page = at.client.get("/system").text
    assert "<a number>" not in page
    said = text(page)
    assert f"{REASONS['wrong_type']} 2 messages, came 2 times" in said
    assert f"{REASONS['naive_time']} 1 message, came 2 times" in said
    assert said.index(REASONS["naive_time"]) < said.index(REASONS["wrong_type"])
    only = text(at.client.get("/system/quarantine?reason=wrong_type").text)
    assert ("No. 1" in only, "No. 2" in only, "No. 3" in only) == (True, True, False)
    assert at.client.get("/system/quarantine?reason=%00&below=x").status_code == 200
    assert at.client.get("/system/quarantine/99").status_code == 404


def test_a_manager_mends_what_was_refused_and_puts_it_in_again(at: Stage) -> None:
    refuse(at.database, "wrong_type", "NF-01")
    page = at.client.get("/system/quarantine/1").text
    assert unescape(re.findall(r"<textarea[^>]*>([^<]*)<", page)[0]) == HOT.decode()
    mended = '{"time":1767268800,"seq":1,\r\n"fluid_temp_c":80,"speed_km_h":50}'
    done = at.client.post(
        "/system/quarantine/1/again", data={"topic": "fleet/NF-01/telemetry", "payload": mended}
    )
    assert (done.status_code, done.headers["location"]) == (303, "/system?done=reingested")
    assert "a message waits for the daemon" in text(at.client.get("/system").text)
    with at.database.write() as tx:
        (message,) = inbox.take(tx)
    assert message.topic == "fleet/NF-01/telemetry"
    assert message.payload == mended.replace("\r\n", "\n").encode()
    assert at.client.post("/system/quarantine/1/again").status_code == 404
    with at.database.read() as conn:
        assert conn.execute("SELECT what, about FROM audit").fetchall() == [
            ("quarantine.put_in_again", "1, fleet/NF-01/telemetry")
        ]


def test_it_says_what_waits_for_the_archive(at: Stage) -> None:
    assert "Waits for the archive" not in at.client.get("/system").text
    with at.database.write() as tx:
        vehicle_id = newcomer(tx, "NF-77").vehicle_id
        for samples, received_ms in ((climb(3), NOON), (climb(4), NOON + 60_000)):
            assert postponed.put(
                tx, vehicle_id=vehicle_id, samples=records(samples), received_ms=received_ms
            )
    told = text(at.client.get("/system").text)
    assert "Waits for the archive 7 late samples of 1 truck, since " in told
    with at.database.read() as conn:
        assert system_facts(conn).arrival.postponed.since_ms == NOON


@pytest.mark.parametrize(
    "raw", [b"\xff\xfe\x00", b"a\x00b", b"x" * 20_000], ids=["binary", "nul", "large"]
)
def test_what_a_form_cannot_hold_goes_in_as_it_was(at: Stage, raw: bytes) -> None:
    refuse(at.database, "not_json", "NF-01", raw)
    assert "<textarea" not in at.client.get("/system/quarantine/1").text
    at.client.post("/system/quarantine/1/again", data={"topic": "fleet/NF-01/telemetry"})
    with at.database.write() as tx:
        (message,) = inbox.take(tx)
    assert message.payload == raw


def test_a_manager_drops_and_a_technician_looks(at: Stage) -> None:
    refuse(at.database, "wrong_type", "NF-01")
    with signed_in(at, Role.TECHNICIAN) as omar:
        page = omar.get("/system/quarantine/1")
        assert (page.status_code, "Drop it" in page.text) == (200, False)
        assert omar.post("/system/quarantine/1/drop").status_code == 403
    assert at.client.post("/system/quarantine/1/drop").status_code == 303
    assert at.client.post("/system/quarantine/1/drop").status_code == 404
    with at.database.read() as conn:
        assert quarantine.totals(conn).entries == 0


def test_a_notice_given_up_is_sent_again_or_taken_off_the_list(at: Stage) -> None:
    give_up(at.database, "NF-01", "NF-02", "NF-03")
    said = text(at.client.get("/system").text)
    assert "3 could not be delivered" in said
    assert "550 no [such] user" in said
    with at.database.read() as conn:
        one, other, _ = (each.id for each in sending.dead_letters(conn))
    with signed_in(at, Role.TECHNICIAN) as omar:
        assert omar.post("/system/notices/again", data={"which": one}).status_code == 303
        done = omar.post("/system/notices/seen", data={"which": other})
        assert done.headers["location"] == "/system?done=seen"
        again = omar.post("/system/notices/seen", data={"which": other})
        assert again.headers["location"] == "/system?done=gone"
        assert omar.post("/system/notices/again", data={"which": "none"}).status_code == 303
    with at.database.read() as conn:
        assert len(sending.dead_letters(conn)) == 1
    at.client.post("/system/notices/again", data={"which": "all"})
    with at.database.read() as conn:
        assert sending.dead_letters(conn) == []
        told = conn.execute("SELECT who, what FROM audit ORDER BY id").fetchall()
    assert told == [
        ("Omar", "notice.sent_again"),
        ("Omar", "notice.put_to_rest"),
        ("Ines", "notice.sent_again"),
    ]


def test_bars_agree_with_the_lines_of_the_same_figures(tmp_path: Path) -> None:
    """What is kept is said by alerts/figure_lines.py for the command; the bars must not say otherwise."""
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    with database.write() as tx:
        for nth in range(11):
            at_ms, truck = NOON + nth * 30_000, f"NF-{nth:02}"
            write(tx, [transition(at_ms, at_ms, vehicle=truck)], now_ms=at_ms, vehicle=truck)
    with database.read() as conn:
        found = figures_of(conn, since_ms=NOON, until_ms=NOON + 3_600_000)
    database.close()
    told = [line.kept for line in lines(found) if line.kept is not None]
    wanted = {"Alarms per hour", "Most in 10 min", "Time in flood", "Ten most frequent, of all"}
    kept = [line.kept for line in lines(found) if line.about in wanted or "Stale" in line.about]
    bars = load_bars(found)
    assert [bar.kept for bar in bars] == kept
    assert False in kept
    assert len(told) > len(kept)
    for bar in bars:
        assert 0.0 <= bar.fill <= 1.0
        assert (bar.fill <= bar.mark) or bar.kept is False
    shares = priority_bars(found)
    assert [bar.about for bar in shares] == [each.name.lower() for each in reversed(Priority)]
    assert sum(bar.fill for bar in shares) == pytest.approx(1.0)


def test_no_alarms_draw_empty_bars() -> None:
    rows = Rows(happenings=[], arrivals=[], holdings=[], seen=[])
    found = figures(rows, since_ms=0, until_ms=DAY_MS, rules=FigureRules())
    assert all(bar.fill == 0.0 for bar in (*load_bars(found), *priority_bars(found)))
