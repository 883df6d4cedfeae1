"""Texts that mean harm, wherever people and trucks can write one: shown as they stand, and nothing more.

OWASP ASVS 4.0.3 (from memory): 5.3.3 output is escaped where it is shown; 5.2.5 no text is a template.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest

from ingest import quarantine, record
from ingest.decoded import Refused
from ingest.entry import Entry
from review.access import audit
from review.access.audit import Deed
from review.console.screens import console_routes
from tests.alerts.far_side import until
from tests.hostile import MADE, MARKUP, TAG, Seen
from tests.review.stage import Stage, stage
from tests.review.test_access_everywhere import places


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("hostile")) as at:
        _write(at)
        at.house.board.look()
        # The board looks by itself: a truck is on it a moment after it was entered.
        until(lambda: at.client.get("/trucks/NF-66").status_code == 200, within_s=60)
        yield at


def _write(at: Stage) -> None:
    """Leave a hostile text wherever the store takes one."""
    now_ms = at.house.now_ms()
    written: tuple[tuple[str, str, dict[str, str], dict[str, float]], ...] = (
        ("register", "NF-66", {"title": MARKUP[:100]}, {}),
        ("pan_drop", "NF-03", {}, {"volume_l": 4.0}),
        ("pan_drop", "NF-66", {}, {"volume_l": 4.0}),
    )
    with at.database.write() as tx:
        for kind, truck, words, numbers in written:
            entry = Entry(
                kind=kind,
                vehicle=truck,
                time_ms=now_ms - 1,
                words=words,
                numbers=numbers,
                who=MARKUP[:100],
                entered_ms=now_ms,
                note=MARKUP,
            )
            record.add(tx, entry)
        refused = Refused(reason="not_json", field=MARKUP, detail=MARKUP, raw=MARKUP.encode())
        quarantine.keep(
            tx,
            topic=f"fleet/{MARKUP}/telemetry",
            vehicle=None,
            refused=refused,
            received_ms=now_ms,
            limit_rows=10,
            limit_bytes=100_000,
        )
        audit.audit(tx, MARKUP, Deed.SIGNED_IN, MARKUP, now_ms=now_ms, address=MARKUP)
        tx.execute(
            "INSERT INTO alarm_event (alarm_id, time_ms, event, before, after, priority, by, comment) "
            "SELECT alarm_id, time_ms, 'comment', after, after, priority, ?, ? FROM alarm_event",
            (MARKUP, MARKUP),
        )


def _addresses(at: Stage) -> Iterator[str]:
    with at.database.read() as conn:
        (alarm,) = conn.execute("SELECT alarm_id FROM alarm_event LIMIT 1").fetchone()
        (refused,) = conn.execute("SELECT max(id) FROM quarantine").fetchone()
        entries = [row[0] for row in conn.execute("SELECT id FROM service_entry")]
    for place in places(console_routes(at.house)):
        if place.method != "GET" or place.path in ("/live", "/static/{name}"):
            continue
        fillings: list[dict[str, object]] = [
            {"truck": "NF-03", "alarm": alarm, "number": refused}
        ]
        if "{truck}" in place.path:
            fillings.append({"truck": "NF-66"})
        if "entr" in place.path or "service" in place.path:
            fillings += [{"truck": "NF-66", "entry": each, "number": each} for each in entries]
        for filling in fillings:
            names = re.findall(r"\{(\w+)", place.path)
            parts = re.split(r"\{\w+(?::\w+)?\}", place.path)
            found = [str(filling.get(name, refused)) for name in names]
            yield "".join(part + name for part, name in zip(parts, [*found, ""], strict=True))


def test_no_page_makes_anything_of_it(at: Stage) -> None:
    showing = []
    for address in dict.fromkeys(_addresses(at)):
        answer = at.client.get(address, follow_redirects=False)
        assert answer.status_code < 500, address
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        seen = Seen(answer.text)
        assert TAG not in seen.tags, address
        assert not seen.handlers, address
        assert MADE not in seen.text, address
        if TAG in seen.text:
            showing.append(address)
    # A test that shows the text nowhere shows nothing.
    assert len(showing) >= 6, showing


def test_programs_get_it_as_it_stands(at: Stage) -> None:
    described = at.client.get("/api/v1/openapi.json").json()["paths"]
    showing = 0
    for path, how in described.items():
        if "get" not in how:
            continue
        filled = path.replace("{truck}", "NF-66")
        filled = re.sub(r"\{\w+\}", "1", filled)
        answer = at.client.get(filled if filled.startswith("/api") else f"/api/v1{filled}")
        assert answer.status_code < 500, filled
        kind = answer.headers.get("content-type", "")
        if "json" in kind:
            assert kind.split(";")[0] in ("application/json", "application/problem+json"), (
                filled
            )
            showing += MARKUP[:60] in json.dumps(answer.json(), ensure_ascii=False).replace(
                '\\"', '"'
            )
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert showing >= 2
