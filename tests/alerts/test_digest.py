from __future__ import annotations

import sqlite3
from datetime import timedelta, timezone

import pytest

from alerts import digest, holds, lifecycle, sending
from alerts.alarm import State
from alerts.digest import LISTED, Digest, gather, passages
from alerts.notice import Picture
from alerts.page import FOOT, Report, Table
from alerts.report_form import text
from alerts.sheet import Passage
from alerts.teller import Teller
from models.transition import Priority
from models.units import METRIC, Units
from tests.alerts.store import MINUTE, NOON, POLICY, memory, take, transition, write

HOUR = 60 * MINUTE
TELLER = Teller(words={}, units=METRIC, names={"NF-01": "Quarry run"})


@pytest.fixture
def conn() -> sqlite3.Connection:
    return memory()


def raised(conn: sqlite3.Connection, vehicle: str, time_ms: int = NOON, **how: object) -> str:
    """Raise an alarm as it happens; give its id."""
    now_ms = int(str(how.pop("now_ms", time_ms)))
    more = [transition(time_ms, time_ms, vehicle=vehicle, **how)]  # type: ignore[arg-type] # passed on
    (alarm,) = write(conn, more, vehicle=vehicle, now_ms=now_ms).alarms
    return alarm.id


def over(
    conn: sqlite3.Connection, vehicle: str, onset_ms: int, time_ms: int, now_ms: int
) -> None:
    ended = transition(time_ms, onset_ms, vehicle=vehicle, active=False)
    write(conn, [ended], vehicle=vehicle, now_ms=now_ms, after_ms=time_ms - 1)


def found(conn: sqlite3.Connection, *, since_ms: int = NOON - HOUR) -> Digest:
    return gather(conn, since_ms=since_ms, now_ms=NOON + HOUR)


def told(conn: sqlite3.Connection) -> dict[str, tuple[str, ...]]:
    return {each.heading: each.points for each in passages(found(conn), TELLER)}


def test_of_a_quiet_day_there_is_nothing_to_tell(conn: sqlite3.Connection) -> None:
    assert told(conn) == {}
    assert digest.counted(found(conn)) == []


def test_what_nobody_has_acknowledged_comes_first(conn: sqlite3.Connection) -> None:
    raised(conn, "NF-01")
    known = raised(conn, "NF-02", priority=Priority.CRITICAL)
    lifecycle.acknowledge(conn, known, by="Ines", now_ms=NOON + MINUTE, comment="at the yard")
    assert list(told(conn)) == ["Not acknowledged", "Acknowledged, still standing"]
    (asked,), (stands,) = told(conn).values()
    assert asked.startswith("HIGH NF-01 (Quarry run): Bypass stuck. Since 1 January 12:00. ")
    assert stands.endswith("Since 1 January 12:00. Acknowledged by Ines. at the yard.")
    assert digest.counted(found(conn)) == [
        "1 alarm not acknowledged",
        "1 acknowledged and standing",
    ]


def test_what_is_over_says_so_and_gives_no_order(conn: sqlite3.Connection) -> None:
    raised(conn, "NF-01")
    over(conn, "NF-01", NOON, NOON + 5 * MINUTE, NOON + 5 * MINUTE)
    ((point,),) = told(conn).values()
    assert point.endswith("It is over, but may come back until its cause is found.")
    assert digest.counted(found(conn)) == ["1 alarm not acknowledged (1 over by now)"]


def test_what_was_found_late_is_told_here_and_nowhere_else(conn: sqlite3.Connection) -> None:
    began = NOON - 5 * HOUR
    raised(conn, "NF-01", began, now_ms=NOON)
    over(conn, "NF-01", began, began + HOUR, NOON)
    assert conn.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
    assert told(conn) == {
        "Found late, so nobody was told at the time": (
            "HIGH NF-01 (Quarry run): Bypass stuck. From 1 January 07:00 to 1 January 08:00.",
        )
    }
    # The next digest does not tell it again as found late.
    assert found(conn, since_ms=NOON + MINUTE).late == ()


def test_what_is_held_back_says_until_when_and_why(conn: sqlite3.Connection) -> None:
    raised(conn, "NF-01")
    holds.place(
        conn,
        state=State.SHELVED,
        vehicle="NF-01",
        kind="bypass_stuck",
        until_ms=NOON + 6 * HOUR,
        by="Omar",
        reason="valve is ordered",
        now_ms=NOON + MINUTE,
        policy=POLICY,
    )
    assert told(conn) == {
        "Held back": (
            (
                "NF-01 (Quarry run): bypass stuck shelved until 1 January 18:00, by Omar: "
                "valve is ordered."
            ),
        )
    }


def test_what_comes_and_goes_is_said_once(conn: sqlite3.Connection) -> None:
    for nth in range(6):
        onset_ms = NOON + nth * 4 * MINUTE
        at = [transition(onset_ms, onset_ms)]
        write(conn, at, now_ms=onset_ms, after_ms=onset_ms - 1)
        over(conn, "NF-01", onset_ms, onset_ms + 2 * MINUTE, onset_ms + 2 * MINUTE)
    points = told(conn)["Held back"]
    assert points == (
        ("HIGH NF-01 (Quarry run): Bypass stuck: comes and goes, so it is not told each time."),
    )


def test_notices_that_did_not_arrive_are_counted_by_reason(conn: sqlite3.Connection) -> None:
    for vehicle in ("NF-01", "NF-02", "NF-03"):
        raised(conn, vehicle)
    while claimed := take(conn, "desk", NOON):
        sending.give_up(conn, claimed, NOON + MINUTE, "no such mailbox")
    points = told(conn)["Notices that could not be delivered"]
    assert points == ("3 notices to desk: no such mailbox.",)
    assert found(conn, since_ms=NOON + 2 * MINUTE).given_up == ()


def test_a_long_list_says_how_much_more_there_is(conn: sqlite3.Connection) -> None:
    for nth in range(LISTED + 7):
        raised(conn, f"NF-{nth:02}")
    points = told(conn)["Not acknowledged"]
    assert len(points) == LISTED + 1
    assert points[-1].startswith("And 7 more")


def test_times_are_those_of_the_reader(conn: sqlite3.Connection) -> None:
    raised(conn, "NF-01")
    east = Teller(words={}, units=Units(zone=timezone(timedelta(hours=14))), names={})
    ((point,),) = (each.points for each in passages(found(conn), east))
    assert "Since 2 January 02:00." in point


def test_the_text_of_a_report_says_all_that_its_page_does() -> None:
    report = Report(
        head="Daily digest",
        title="1 January 2026",
        lead="Two things.",
        parts=(
            Passage(heading="First", lines=("a line",), points=("one", "two")),
            Table(
                caption="Trucks",
                heads=("Truck", "Life"),
                rows=(("NF-01", "5%"), ("NF-010", "100%")),
                numbers=frozenset({1}),
            ),
            Picture(name="life", png=b"", alt="Life used: NF-01 5%."),
        ),
    )
    assert text(report) == (
        "1 January 2026\n\nTwo things.\n\nFIRST\na line\n- one\n- two\n\n"
        "TRUCKS\nTruck   Life\nNF-01     5%\nNF-010  100%\n\n"
        f"[Picture: Life used: NF-01 5%.]\n\n{FOOT}\n"
    )
