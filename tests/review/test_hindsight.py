"""A span of the past with other limits, over the invented fleet's day.

What the run with the present settings finds is held against the ledger: alarms that the pipeline raised when
the day came in, commit by commit. What other limits find is held against the readings themselves.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan
from pathlib import Path

import pytest

from alerts.episode import Episode
from deploy.database import Database
from deploy.pipeline import Pipeline
from models.transition import Priority
from review import history
from review.hindsight.asked import Asked
from review.hindsight.compared import compared
from review.hindsight.for_programs import plain
from review.hindsight.found import Compared, Side
from review.hindsight.hints import Hint, Verdict
from review.hindsight.other import Other
from review.hindsight.words import headline, truthful
from review.model_version import model_version
from review.problems import Mistake
from review.record_book import Book, add_entry
from simulator.northfold import START_MS
from tests.deploy.store import rules
from tests.review.northfold_day import END_MS, POLICY, courses, day_store, fleet, reader

HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    store = day_store(tmp_path_factory.mktemp("day"))
    yield store
    store.close()


def look(
    database: Database,
    other: Other,
    truck: str | None = None,
    since_ms: int = START_MS,
    until_ms: int = END_MS,
) -> Compared:
    asked = Asked(since_ms=since_ms, until_ms=until_ms, other=other, truck=truck)
    return compared(database, reader(), asked)


def said(episode: Episode) -> tuple[object, ...]:
    numbers = {name: each for name, each in episode.evidence.items() if not isnan(each)}
    return (
        episode.raised_ms,
        episode.cleared_ms,
        episode.priority,
        episode.probability,
        numbers,
    )


def test_present_settings_find_what_was_raised_to_the_millisecond(database: Database) -> None:
    found = look(database, Other())
    raised = {(each.truck, each.matter.kind) for each in found.found}
    assert raised == {
        ("NF-03", "bypass_stuck"),
        ("NF-03", "over_temperature"),
        ("NF-05", "over_temperature"),
        ("NF-07", "service_due"),
    }
    for each in found.found:
        assert each.side is Side.BOTH
        assert each.matter.raised
        assert each.as_raised
        assert [said(one) for one in each.matter.as_is] == [said(o) for o in each.matter.other]
        assert each.matter.earlier_ms == 0
    assert "all 4 alarms" in truthful(found)
    assert headline(found) == "The same alarms at the same times."


def test_present_settings_find_it_too_from_the_middle_of_the_day(database: Database) -> None:
    """What was learned before the span, and what stood, goes along."""
    found = look(database, Other(), since_ms=START_MS + 2 * HOUR_MS)
    assert [(each.truck, each.as_raised) for each in found.found] == [("NF-05", True)]


def test_a_lower_limit_catches_an_overload_sooner(database: Database) -> None:
    found = look(database, Other(over_temperature_c=112.0), "NF-05")
    (each,) = found.found
    assert each.side is Side.BOTH
    assert each.matter.earlier_ms is not None
    assert each.matter.earlier_ms > 0
    # The fluid had been above the other limit for a while by then, and not yet above its own.
    told_ms = each.matter.other[0].raised_ms
    with database.read() as conn:
        before = history.samples(conn, "NF-05", told_ms - 600_000, told_ms)["fluid_temp_c"]
    assert before[-1] >= 112.0
    assert each.matter.other[0].priority >= each.matter.as_is[0].priority
    assert "1 alarm would have come sooner" in headline(found)


def test_a_higher_limit_misses_it(database: Database) -> None:
    found = look(database, Other(over_temperature_c=140.0), "NF-05")
    (each,) = found.found
    assert each.side is Side.ONLY_AS_IS
    assert found.counts[0].other == 0
    assert found.counts[0].as_is == found.counts[0].raised == 1


def test_a_silly_limit_makes_noise_that_is_counted_as_such(database: Database) -> None:
    found = look(database, Other(over_temperature_c=85.0))
    more = found.of(Side.ONLY_OTHER)
    noise = [each for each in more if each.verdict is Verdict.NOISE]
    assert len(noise) > 10
    assert {each.truck for each in noise} >= {"NF-01", "NF-06", "NF-07"}
    assert found.other > 5 * found.as_is
    assert found.per_week(found.other) == pytest.approx(found.other / 10 / (8 / 168))
    # Heat that the stuck valve of NF-03 explains is no noise.
    hot = [each for each in more if each.truck == "NF-03"]
    assert {each.verdict for each in hot} == {Verdict.REAL}
    assert Hint.FAULT in {told.hint for each in hot for told in each.told}


def test_a_detector_that_is_off_tells_nobody(database: Database) -> None:
    found = look(database, Other(off=frozenset({"bypass_stuck"})), "NF-03")
    sides = {each.matter.kind: each.side for each in found.found}
    assert sides == {"bypass_stuck": Side.ONLY_AS_IS, "over_temperature": Side.BOTH}


def test_service_limits_count_too(database: Database) -> None:
    found = look(database, Other(service_days=30.0))
    trucks = {
        each.truck for each in found.of(Side.ONLY_OTHER) if each.matter.kind == "service_due"
    }
    assert "NF-03" in trucks
    assert "NF-07" not in trucks


def test_nothing_is_written(database: Database) -> None:
    def everything() -> dict[str, int]:
        with database.read() as conn:
            names = [
                row[0]
                for row in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            ]
            return {
                name: conn.execute(f"SELECT count(*) FROM {name}").fetchone()[0]  # noqa: S608 - its own names
                for name in names
            }

    with database.read() as conn:
        version = conn.execute("PRAGMA data_version").fetchone()[0]
        before = everything()
        look(database, Other(over_temperature_c=100.0))
        assert everything() == before
        assert conn.execute("PRAGMA data_version").fetchone()[0] == version


def test_work_soon_after_speaks_for_an_alarm(tmp_path: Path) -> None:
    store = day_store(tmp_path)
    try:
        (before,) = look(store, Other(), "NF-05").found
        assert {told.hint for told in before.told} == {Hint.TOO_SOON}
        assert before.verdict is Verdict.OPEN
        with store.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            add_entry(book, "NF-05", "exchange", END_MS - HOUR_MS, numbers={}, note="")
        counted(store)
        (after,) = look(store, Other(), "NF-05").found
        assert [(told.hint, told.about) for told in after.told] == [(Hint.REPAIRED, "exchange")]
        assert after.verdict is Verdict.REAL
    finally:
        store.close()


def test_a_truck_whose_entries_do_not_count_yet_is_left_out(tmp_path: Path) -> None:
    store = day_store(tmp_path)
    try:
        with store.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            entry = add_entry(book, "NF-05", "exchange", END_MS - HOUR_MS, numbers={}, note="")
            tx.execute("INSERT INTO service_taken VALUES (?)", (entry.id,))
        found = look(store, Other(), "NF-05")
        assert found.counts == ()
        ((name, why),) = found.left_out
        assert (name, "out of date" in why) == ("NF-05", True)
    finally:
        store.close()


def counted(store: Database) -> None:
    """Let the pipeline count what was entered, as the daemon does."""
    running = Pipeline(
        store,
        registered=frozenset(fleet().vehicles),
        courses=courses(),
        rules=rules(policy=POLICY, model_version=model_version()),
        now_ms=lambda: END_MS,
    )
    running.load()
    running.flush()


@pytest.mark.parametrize(
    ("other", "says"),
    [
        (Other(over_temperature_c=20.0), "over_temperature_c is 20"),
        (
            Other(over_temperature_c=120.0, over_temperature_critical_c=110.0),
            "not above the limit",
        ),
        (Other(max_gap_s=3000.0, silent_after_s=100.0), "below max_gap_s"),
        (Other(off=frozenset({"bypass_stuk"})), "'bypass_stuck'"),
    ],
)
def test_what_cannot_be_is_refused_with_how_to_mend_it(
    database: Database, other: Other, says: str
) -> None:
    with pytest.raises(Mistake, match=says):
        look(database, other)


def test_a_span_that_is_none_is_refused(database: Database) -> None:
    with pytest.raises(Mistake, match="begins before it ends"):
        look(database, Other(), since_ms=END_MS, until_ms=START_MS)


def test_an_unknown_truck_is_named(database: Database) -> None:
    with pytest.raises(Mistake, match="NF-33"):
        look(database, Other(), "NF-33")


def test_it_can_be_stopped(database: Database) -> None:
    class Enough(Exception):
        pass

    def on(truck: str, share: float) -> None:
        assert 0.0 <= share <= 1.0
        if truck == "NF-03":
            raise Enough

    asked = Asked(since_ms=START_MS, until_ms=END_MS, other=Other())
    with pytest.raises(Enough):
        compared(database, reader(), asked, progress=on)


def test_for_programs_all_is_there(database: Database) -> None:
    told = plain(look(database, Other(over_temperature_c=112.0), "NF-05"))
    assert told["since"] == "2026-06-16T06:00:00.000Z"
    (matter,) = told["matters"]
    assert matter["found_by"] == "both"
    assert matter["earlier_s"] == 390.0
    assert matter["as_is"][0]["priority"] == Priority.HIGH.name.lower()
    assert matter["as_is"][0]["evidence"]["peak_temp_c"] > 121.0
