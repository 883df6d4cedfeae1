"""The process that is killed: it lets alarms come and go and tells of them, as fast as the far sides allow.

``python -m tests.torture.notice_child STORE WEB_PORT MAIL_PORT TRUCKS ANCHOR_MS``: it goes on where the
store says the one before it was killed, and ends by itself when all trucks have alarmed and all is told.
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

EVERY_S = 0.01
"""How often an alarm comes or goes [s]."""


def main(words: list[str]) -> None:
    """Work until all is told."""
    store, web_port, mail_port, trucks, anchor_ms = words
    now_ms = partial(_scaled_ms, int(anchor_ms))
    database = Database(Path(store))
    loop = dispatcher(database, channels(int(web_port), int(mail_port), now_ms), now_ms, {})
    loop.start()
    sys.stdout.write("at work\n")
    sys.stdout.flush()
    while _go_on(database, now_ms, int(trucks)):
        loop.wake()
        time.sleep(EVERY_S)
    loop.stop()
    database.close()


def _go_on(database: Database, now_ms: Clock, trucks: int) -> bool:
    """Let the next alarm come, or an old one go; False when there is nothing left to do."""
    with database.read() as conn:
        known = ledger.alarms(conn, limit=trucks)
        waits = sending.waiting(conn)[0] > 0
    at_ms = now_ms()
    old = [alarm for alarm in known if alarm.active and at_ms - alarm.raised_ms > STANDS_MS]
    if old:
        with database.write() as tx:
            change(tx, old[-1].vehicle, old[-1].onset_ms, at_ms, active=False)
        return True
    if len(known) < trucks:
        with database.write() as tx:
            priority = Priority(1 + len(known) % len(Priority))
            change(tx, f"NF-{len(known):03}", at_ms, at_ms, priority=priority)
        return True
    return waits or any(alarm.active for alarm in known)


def _scaled_ms(anchor_ms: int) -> int:
    """Give a time that runs faster than the real one [Unix ms]."""
    return NOON + round((time.time_ns() // 1_000_000 - anchor_ms) * RATE)


if __name__ == "__main__":
    main(sys.argv[1:])
