"""Old notices go, and nothing that something rests on."""

from __future__ import annotations

import sqlite3

from alerts import ledger, outbox, sending
from alerts.lifecycle import acknowledge
from alerts.pruning import prune
from tests.alerts.life import DESK, come, go, pair
from tests.alerts.store import MINUTE, NOON, memory, write
from tests.alerts.store import take as take_at

DAY = 1440 * MINUTE
YEARS = 1200 * DAY


def _tell(conn: sqlite3.Connection, now_ms: int) -> None:
    """Deliver all that is due."""
    while claimed := take_at(conn, "desk", now_ms):
        sending.settle(conn, claimed, now_ms, "told")


def _episode(conn: sqlite3.Connection, at_ms: int, *, over: bool = True) -> None:
    come(conn, at_ms)
    _tell(conn, at_ms + MINUTE)
    if over:
        (alarm,) = (each for each in ledger.alarms(conn) if each.onset_ms == at_ms)
        acknowledge(conn, alarm.id, by="Kim", now_ms=at_ms + 2 * MINUTE)
        go(conn, at_ms + 30 * MINUTE, at_ms)
        _tell(conn, at_ms + 31 * MINUTE)


def _counts(conn: sqlite3.Connection) -> tuple[int, int, int]:
    return (
        len(outbox.entries(conn)),
        len(sending.sendings(conn)),
        len(sending.attempts(conn)),
    )


def test_what_is_long_over_goes_a_slice_at_a_time_and_the_last_try_stays() -> None:
    conn = memory()
    for day in range(5):
        _episode(conn, NOON + day * DAY)
    before = _counts(conn)
    alarms = ledger.alarms(conn)
    assert before[0] == before[1] == 10
    assert prune(conn, before_ms=NOON - 1, limit=100) == 0
    assert prune(conn, before_ms=NOON + YEARS, limit=3) == 3
    assert _counts(conn)[:2] == (7, 7)
    while prune(conn, before_ms=NOON + YEARS, limit=3):
        pass
    assert _counts(conn) == (0, 0, 1)
    assert ledger.alarms(conn) == alarms


def test_what_stands_waits_or_was_given_up_stays() -> None:
    conn = memory()
    _episode(conn, NOON, over=False)  # told, and stands still
    assert prune(conn, before_ms=NOON + YEARS, limit=100) == 0
    go(conn, NOON + 60 * MINUTE, NOON)  # over, nobody acknowledged; that it is over waits
    assert prune(conn, before_ms=NOON + YEARS, limit=100) == 0
    claimed = take_at(conn, "desk", NOON + 2 * DAY)
    assert claimed is not None
    sending.give_up(conn, claimed, NOON + 2 * DAY, "refused")
    left = _counts(conn)
    prune(conn, before_ms=NOON + YEARS, limit=100)
    assert [each.id for each in sending.dead_letters(conn)] == [claimed.id]
    assert left[0] >= _counts(conn)[0] >= 1


def test_what_was_told_is_not_told_again_because_its_rows_went() -> None:
    """The same transitions once more, as after a rerun: the alarm is known, nobody hears of it again."""
    conn = memory()
    _episode(conn, NOON)
    while prune(conn, before_ms=NOON + YEARS, limit=100):
        pass
    known = ledger.alarms(conn)
    write(conn, pair(NOON, NOON + 30 * MINUTE), now_ms=NOON + YEARS, policy=DESK)
    assert ledger.alarms(conn) == known
    assert outbox.entries(conn) == []
