"""Reports: what is sent without any alarm's doing (a digest, a week's summary), kept whole in its row."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts.content import Content, encode
from alerts.identity import report_id
from alerts.notice import Picture
from alerts.sending import Sending
from models.transition import Priority

_POST = """
INSERT OR IGNORE INTO sending
    (id, destination, what, content, priority, created_ms, due_ms, moved_from)
VALUES (?, ?, 'report', ?, ?, ?, ?, ?)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportText:
    """What a report says; ``name`` tells it from all others to the same destination."""

    name: str
    subject: str
    short: str
    body: str
    page: str = ""
    pictures: tuple[Picture, ...] = ()
    priority: Priority = Priority.LOW


def post_report(
    tx: sqlite3.Connection,
    report: ReportText,
    *,
    destination: str,
    now_ms: int,
    not_before_ms: int = 0,
) -> str:
    """Have a report sent, give its id; one that was posted already stays as it is."""
    content = Content(
        subject=report.subject,
        short=report.short,
        body=report.body,
        page=report.page,
        pictures=report.pictures,
    )
    name = report_id(report.name, destination)
    due_ms = max(now_ms, not_before_ms)
    row = (name, destination, encode(content), int(report.priority), now_ms, due_ms, "")
    tx.execute(_POST, row)
    return name


def move_report(tx: sqlite3.Connection, sending: Sending, destination: str, now_ms: int) -> int:
    """Send a report that was given up to another destination."""
    name = report_id(sending.id, destination)
    kept = (sending.content, int(sending.priority), now_ms, now_ms, sending.destination)
    return tx.execute(_POST, (name, destination, *kept)).rowcount
