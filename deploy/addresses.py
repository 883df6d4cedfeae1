"""Private addresses: what may be read at them, which edition counts, and what they look like."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts.links import Address, Answer, Links, Purpose, load_keys
from deploy.database import Database
from deploy.web.section import Web

PATHS = {Purpose.CALENDAR: "/calendar/{}.ics", Purpose.FIGURES: "/figures/{}"}
"""Where each purpose is served."""

_EDITION = "SELECT edition FROM private_address WHERE purpose = ? AND scope = ?"
_CHANGE = """
INSERT INTO private_address (purpose, scope, edition) VALUES (?, ?, 2)
ON CONFLICT (purpose, scope) DO UPDATE SET edition = edition + 1
"""


def current(conn: sqlite3.Connection, purpose: Purpose, scope: str) -> Address:
    """Give the address of a purpose and scope in the edition that counts."""
    row = conn.execute(_EDITION, (purpose.value, scope)).fetchone()
    return Address(purpose=purpose, scope=scope, edition=row[0] if row else 1)


def change(tx: sqlite3.Connection, purpose: Purpose, scope: str) -> None:
    """Make the address of before void; there is another from now on."""
    tx.execute(_CHANGE, (purpose.value, scope))


def url(conn: sqlite3.Connection, web: Web, purpose: Purpose, scope: str) -> str:
    """Write an address in full."""
    links = Links(keys=load_keys(conn), lifetime_ms=web.lifetime_ms)
    return web.root + PATHS[purpose].format(links.address(current(conn, purpose, scope)))


@dataclass(frozen=True, slots=True)
class AnswerUrls:
    """Writes the addresses of answers, for a notice made at ``made_ms``: the same on every try."""

    web: Web
    database: Database

    def one(self, alarm_id: str, turn: int, person: str, made_ms: int) -> str:
        """Give the address that acknowledges one alarm in one turn."""
        return self._written(Answer(person=person, alarm_id=alarm_id, turn=turn), made_ms)

    def every(self, sending_id: str, person: str, made_ms: int) -> str:
        """Give the address that acknowledges all alarms of one sending."""
        return self._written(Answer(person=person, sending=sending_id), made_ms)

    def _written(self, claim: Answer, made_ms: int) -> str:
        with self.database.read() as conn:
            links = Links(keys=load_keys(conn), lifetime_ms=self.web.lifetime_ms)
        return f"{self.web.root}/answer/{links.answer(claim, made_ms)}"


def answer_urls(web: Web | None, database: Database) -> AnswerUrls | None:
    """Give what writes the addresses of answers; None where nobody outside could follow them."""
    return AnswerUrls(web, database) if web is not None and web.public_url else None
