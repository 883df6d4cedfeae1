"""The process that is killed: it lets alarms come and go and tells of them, as fast as the far sides allow.

``python -m tests.torture.notice_child STORE WEB_PORT MAIL_PORT ANCHOR_MS [last]``: it goes on where the
store says the one before it was killed. The last one lets no more alarms come, and ends by itself when none
stands and all is told.
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path

from alerts import ledger, sending
from alerts.channel import Clock
from deploy.database import Database
from models.transition import Priority
from tests.torture.notice_stage import NOON, change, channels, dispatcher

RATE = 600.0
"""How fast its clock runs [-]: a minute's pace of notices in a tenth of a second."""

STANDS_MS = 120_000
"""How long an alarm stands by its clock [ms]: too long for it to be told as over at once."""

EVERY_S = 0.05
"""How often an alarm comes or goes [s]."""


def main(words: list[str]) -> None:
    """Work until all is told."""
    store, web_port, mail_port, anchor_ms, *last = words
    now_ms = partial(_scaled_ms, int(anchor_ms))
    # The process is killed, not the machine: what it has written the system keeps.
    database = Database(Path(store), synchronous="off")
    loop = dispatcher(database, channels(int(web_port), int(mail_port), now_ms), now_ms, {})
    loop.start()
    sys.stdout.write("at work\n")
    sys.stdout.flush()
    while _go_on(database, now_ms, last=bool(last)):
        loop.wake()
        time.sleep(EVERY_S)
    loop.stop()
    database.close()


def _go_on(database: Database, now_ms: Clock, *, last: bool) -> bool:
    """Let an old alarm go, or the next one come; False when there is nothing left to do."""
    at_ms = now_ms()
    with database.read() as conn:
        standing = ledger.find(conn, "active", order="raised_ms, id LIMIT 1")
        (count,) = conn.execute("SELECT count(*) FROM alarm").fetchone()
        waits = sending.waiting(conn)[0] > 0
    if standing and at_ms - standing[0].raised_ms > STANDS_MS:
        old = standing[0]
        with database.write() as tx:
            change(tx, old.vehicle, old.onset_ms, at_ms, active=False)
    elif not last:
        with database.write() as tx:
            priority = Priority(1 + count % len(Priority))
            change(tx, f"NF-{count:04}", at_ms, at_ms, priority=priority)
    return waits or bool(standing) or not last


def _scaled_ms(anchor_ms: int) -> int:
    """Give a time that runs faster than the real one [Unix ms]."""
    return NOON + round((time.time_ns() // 1_000_000 - anchor_ms) * RATE)


if __name__ == "__main__":
    main(sys.argv[1:])
