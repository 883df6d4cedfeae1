"""Six thousand bad messages: each is refused for its reason, counted, and harms no good sample beside it.

All of 5,000 and more malformed messages are in quarantine with a reason, and the next good one is taken.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from deploy.database import Database
from ingest import quarantine
from ingest.decoded import WireRules
from ingest.message import Message
from ingest.wire import decode
from tests.bad_derived import derived
from tests.bad_payloads import bad_payloads
from tests.deploy.store import pipeline
from tests.fuzz.wire import check_decoded
from tests.recorded import climb, message

NOW_MS = 1_772_000_000_000
RULES = WireRules()


def test_every_derived_one_is_refused_for_its_reason_and_its_neighbours_are_kept() -> None:
    wrong = []
    cases = list(derived(NOW_MS))
    assert len(cases) + len(bad_payloads(NOW_MS)) >= 5_000
    for (topic, payload, reason, field), refused, good in cases:
        found = decode(topic, payload, now_ms=NOW_MS, rules=RULES)
        check_decoded(found, payload, RULES)
        said = [(each.reason, each.field) for each in found.refused]
        if said != [(reason, field)] * refused or len(found.samples) != good:
            wrong.append((payload[:120], reason, field, said, len(found.samples), good))
    assert wrong == []


def test_all_of_them_are_counted_in_quarantine_and_the_next_good_one_is_taken(
    tmp_path: Path,
) -> None:
    messages = [Message(topic=bad.topic, payload=bad.payload) for bad in bad_payloads(NOW_MS)]
    messages += [
        Message(topic=each.bad.topic, payload=each.bad.payload) for each in derived(NOW_MS)
    ]
    expected: Counter[str] = Counter()
    for each in messages:
        found = decode(each.topic, each.payload, now_ms=NOW_MS, rules=RULES)
        expected.update(refused.reason for refused in found.refused)
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    line = pipeline(
        database, now_ms=NOW_MS, quarantine_rows=100_000, quarantine_bytes=1_000_000_000
    )
    for first in range(0, len(messages), 500):
        line.commit(messages[first : first + 500])
    with database.read() as conn:
        kept = dict(conn.execute("SELECT reason, sum(times) FROM quarantine GROUP BY reason"))
        total = quarantine.totals(conn)
    assert kept == expected
    assert total.refused == expected.total() >= 5_000
    assert total.dropped == 0
    assert line.counts.reasons == expected
    before = line.counts.stored
    line.commit([message("NF-02", climb(1))])
    assert line.counts.stored == before + len(climb(1))
    database.close()
