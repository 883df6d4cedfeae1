"""Reviews over the invented fleet's two years: what its stories say happened is the truth."""

from __future__ import annotations

import io
import json
import sqlite3
import zipfile
from collections.abc import Iterator
from datetime import date

import pandas as pd
import pytest

from models.hypotheses import AIR, SHUT
from review.dossier.candidates import candidates
from review.dossier.end import end_ms
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.package import package
from review.dossier.recompute import recompute
from review.dossier.timeline import timeline
from review.dossier.unknown_words import not_known
from review.dossier.verdict import verdict
from simulator.years.moments import END_MS, FAILED, at
from tests.review.failures import BOTH, PEN, TELLER
from tests.review.two_years import two_years_store, years_reader

STICKS_MS = at(date(2025, 10, 1))
"""From here on NF-08's bypass valve sticks, more and more over a hundred days."""


@pytest.fixture(scope="module")
def conn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    database = two_years_store(tmp_path_factory.mktemp("years"))
    with database.read() as found:
        yield found
    database.close()


def review(conn: sqlite3.Connection, truck: str, until: str) -> Dossier:
    reader = years_reader()
    until_ms = end_ms(conn, truck, until, PEN.units.zone, END_MS)
    return dossier_of(conn, reader, truck, until_ms=until_ms)


@pytest.fixture(scope="module")
def failed(conn: sqlite3.Connection) -> Dossier:
    return review(conn, "NF-08", "2026-03-21")


def test_the_failed_gearbox_is_the_first_offered(conn: sqlite3.Connection) -> None:
    first = candidates(conn)[0]
    assert first.vehicle == "NF-08"
    assert first.until_ms is not None
    assert at(date(2026, 3, 21)) <= first.until_ms < at(date(2026, 3, 22))


def test_a_day_on_which_a_gearbox_was_replaced_means_the_one_that_came_out(
    failed: Dossier,
) -> None:
    assert failed.span.replaced_ms == failed.span.until_ms
    assert failed.span.last_ms < at(FAILED, 24.0)


def test_the_valve_is_named_and_when_it_left(failed: Dossier) -> None:
    left = failed.departure
    assert left is not None
    assert STICKS_MS < left.left_ms < at(date(2026, 1, 22))
    assert left.left_ms < min(each.start_ms for each in failed.excursions)
    assert failed.causes[0].place == SHUT
    assert failed.causes[0].last > 0.99
    assert "bypass valve" in verdict(failed, PEN).headline.lower()


def test_it_says_who_knew_and_what_they_said(failed: Dossier) -> None:
    said = verdict(failed, PEN).then
    # One of the 10th had gone by itself: what counts is that of the 22nd, which stayed.
    assert "Omar acknowledged at 2 February 2026" in said
    lines = [each.text for each in timeline(failed, PEN, lambda a: TELLER.say(a).title)]
    assert any(
        line.startswith("Omar: acknowledged") and "Part ordered" in line for line in lines
    )
    assert any(line.startswith("Kim: shelved") for line in lines)
    assert any("gearbox was replaced" in line for line in lines)


def test_it_says_what_nobody_saw(failed: Dossier) -> None:
    said = " ".join(not_known(failed, PEN))
    assert "gateway was silent from 9 February 2026" in said
    assert failed.unknown.unseen_km > 100.0


def test_the_new_gearbox_is_sound(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-08", "")
    assert found.span.first_ms >= at(date(2026, 3, 21))
    assert found.departure is None
    assert found.excursions == ()


def test_a_starved_cooler_that_was_washed_is_found_and_over(conn: sqlite3.Connection) -> None:
    dirty = review(conn, "NF-07", "2025-07-10").departure
    assert dirty is not None
    assert dirty.last_cause == AIR
    assert at(date(2025, 6, 2)) < dirty.left_ms < at(date(2025, 7, 11))
    later = review(conn, "NF-07", "2026-03-01").departure
    assert later is None or later.ended_ms is not None


def test_a_spell_of_overload_is_no_fault(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-05", "2025-09-20")
    assert found.departure is None
    assert len(found.excursions) > 3
    assert "load, not a fault" in verdict(found, PEN).first


def test_a_sensor_of_the_outside_air_is_no_failure(conn: sqlite3.Connection) -> None:
    found = review(conn, "NF-10", "2026-01-20")
    assert any(each.alarm.kind == "sensor_fault" for each in found.alarms)
    assert found.departure is None


def test_excursions_are_ranked_by_what_they_cost(failed: Dossier) -> None:
    costs = [each.cost_s for each in failed.excursions]
    assert costs == sorted(costs, reverse=True)
    assert sum(costs) <= failed.readings.cost_s.sum()


def test_years_out_of_the_archive_are_computed_again(
    conn: sqlite3.Connection, failed: Dossier
) -> None:
    body = package(conn, failed, BOTH, TELLER).body
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        told = json.loads(archive.read("account.json"))
        samples = pd.read_csv(archive.open("samples.csv"))
    assert len(samples) == failed.samples
    assert len(told["thinnings"]) == 1
    found = recompute(told, samples)
    assert found["life_used"] == pytest.approx(failed.account.life_used, rel=1e-9)
    assert found["mean_kinetic_temp_c"] == pytest.approx(
        failed.account.mean_kinetic_temp_c, abs=1e-6
    )
