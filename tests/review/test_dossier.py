"""What came first, held against what the simulator did: its events are the truth, its physics its own."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from models.hypotheses import SHUT
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.timeline import Happened, timeline
from review.dossier.unknown_words import not_known
from review.dossier.verdict import verdict
from review.entry_rules import UnknownTruck
from review.problems import Mistake
from review.record_book import Book
from review.service_record import replace_gearbox
from simulator.northfold import BYPASS_STICKS_S, EVENTS
from tests.review.failures import PEN, TELLER, at, day, lacking, pipeline, review
from tests.review.northfold_day import END_MS, fleet, reader

OVERLOAD = next(each for each in EVENTS if each.vehicle == "NF-05")


@pytest.fixture(scope="module")
def conn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    with day(tmp_path_factory.mktemp("day")) as (_, found):
        yield found


def test_the_first_moment_comes_soon_after_the_valve_stuck_and_before_the_heat(
    conn: sqlite3.Connection,
) -> None:
    found = review(conn, "NF-03")
    left = found.departure
    assert left is not None
    assert at(BYPASS_STICKS_S) < left.left_ms < at(BYPASS_STICKS_S + 900.0)
    assert left.left_ms < min(each.start_ms for each in found.excursions)
    assert left.proven_ms is not None
    assert at(BYPASS_STICKS_S - 300.0) < left.proven_ms <= at(BYPASS_STICKS_S + 60.0)
    assert left.trusted_ms is not None
    assert left.proven_ms <= left.trusted_ms <= left.left_ms <= left.told_ms
    assert left.ended_ms is None


def test_the_first_cause_is_the_stuck_valve(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-03")
    assert found.causes[0].place == SHUT
    assert found.causes[0].last > 0.95
    assert sum(each.last for each in found.causes) == pytest.approx(1.0, abs=1e-6)
    said = verdict(found, PEN)
    assert "stuck bypass valve" in said.first
    assert "nobody acknowledged" in said.then


def test_what_a_healthy_circuit_would_have_shown_is_far_below(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-03")
    worst = found.excursions[0]
    assert worst.peak_c > found.limits.critical_c
    assert worst.healthy_peak_c < found.limits.limit_c - 10.0
    assert found.duty.share < 0.3
    kinds = {each.kind for each in found.clues}
    assert {"hotter", "share", "work_does_not"} <= kinds


def test_overload_is_said_to_be_load_and_no_fault(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-05")
    assert found.departure is None
    assert found.causes == ()
    worst = found.excursions[0]
    assert at(OVERLOAD.since_s) < worst.start_ms < at(OVERLOAD.until_s)
    said = verdict(found, PEN)
    assert "load, not a fault" in said.first
    assert found.duty.share == pytest.approx(1.0, abs=0.05)
    assert found.duty.heat_kw > 3.0 * found.duty.usual_kw


@pytest.mark.parametrize("truck", ["NF-01", "NF-07", "NF-09"])
def test_nothing_left_the_healthy_behaviour_of_a_sound_truck(
    conn: sqlite3.Connection, truck: str
) -> None:
    found = review(conn, truck)
    assert found.departure is None
    assert found.excursions == ()
    assert "Nothing left" in verdict(found, PEN).first


def test_up_to_a_time_before_it_stuck_nothing_had_left(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-03", at(BYPASS_STICKS_S))
    assert found.departure is None
    assert found.alarms == ()
    assert found.span.last_ms < at(BYPASS_STICKS_S)
    assert found.unknown.later
    assert all(each.time_ms < at(BYPASS_STICKS_S) for each in _lines(found))


def test_all_that_happened_is_in_order_of_time(conn: sqlite3.Connection) -> None:
    lines = _lines(review(conn, "NF-03"))
    assert [each.time_ms for each in lines] == sorted(each.time_ms for each in lines)
    kinds = [each.kind for each in lines]
    first = next(place for place, each in enumerate(lines) if each.tone == "first")
    assert first < kinds.index("alarm") < kinds.index("excursion")


def test_the_account_is_that_of_the_daemon(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-03")
    stored = reader().truck(conn, "NF-03")
    assert found.account.life_used == stored.statement.life_used
    assert found.account.mean_kinetic_temp_c == stored.statement.mean_kinetic_temp_c
    # Its parts, too: what readings cost one by one is what the account has summed up.
    assert found.readings.cost_s.sum() == pytest.approx(found.basis.measured_s, rel=1e-12)
    assert found.readings.span_s.sum() / 3600.0 == pytest.approx(found.account.seen_hours)


def test_a_truck_that_nobody_knows(conn: sqlite3.Connection) -> None:
    with pytest.raises(UnknownTruck, match="NF-99"):
        review(conn, "NF-99")


def test_an_end_before_the_first_sample(conn: sqlite3.Connection) -> None:
    with pytest.raises(Mistake, match="before the first sample"):
        review(conn, "NF-03", at(0.0))


@pytest.mark.parametrize("days", [0, 61])
def test_days_of_which_no_picture_can_be_made(conn: sqlite3.Connection, days: int) -> None:
    with pytest.raises(Mistake, match="1 to 60"):
        dossier_of(conn, reader(), "NF-03", days=days)


def test_a_truck_never_heard(tmp_path: Path) -> None:
    with lacking(tmp_path, "NF-03", ()) as (_, conn), pytest.raises(Mistake, match="no sample"):
        review(conn, "NF-04")


def test_a_truck_that_never_sent_its_fluid(tmp_path: Path) -> None:
    with lacking(tmp_path, "NF-03", ["fluid_temp_c"]) as (_, conn):
        found = review(conn, "NF-03")
        assert "never sent" in verdict(found, PEN).headline
        assert found.departure is None
        assert found.excursions == ()
        assert any("Fluid temperature was never sent" in line for line in not_known(found, PEN))


def test_a_truck_whose_circuit_cannot_be_judged(tmp_path: Path) -> None:
    with lacking(tmp_path, "NF-03", ["engine_rpm"]) as (_, conn):
        found = review(conn, "NF-03")
        said = verdict(found, PEN)
        assert not found.judged
        assert "could not be judged" in said.headline
        assert "engine speed" in said.first
        assert "155 °C" in said.then
        assert math.isnan(found.excursions[0].healthy_peak_c)


def test_a_gearbox_that_was_replaced(tmp_path: Path) -> None:
    with day(tmp_path) as (database, _):
        replaced_ms = at(9_000.0)
        with database.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            replace_gearbox(book, "NF-03", replaced_ms)
        pipeline(database)
        with database.read() as conn:
            before = review(conn, "NF-03", replaced_ms)
            assert before.span.replaced_ms == replaced_ms
            assert before.departure is not None
            assert before.excursions
            after = review(conn, "NF-03")
            assert after.span.first_ms == replaced_ms
            assert after.excursions == ()
            assert len(after.readings.time_ms) < len(before.readings.time_ms)


def _lines(found: Dossier) -> list[Happened]:
    return list(timeline(found, PEN, lambda alarm: TELLER.say(alarm).title))
