"""Corrections of the service record, and the account that comes of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.course import run, settle
from models.fleet import Vehicle
from models.kernel import STATE
from models.layout import blank
from review import service_record as api
from review.entry_rules import CannotEnter
from review.model_version import model_version
from review.past import state_at
from review.problems import BadSettings
from review.service_record import LabFindings
from tests.deploy.record_store import (
    AFTER_MS,
    DAY,
    FLEET,
    STRANGER,
    TRUCK,
    book,
    courses,
    heard,
    reader,
)
from tests.deploy.store import NOW_MS, pipeline
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, merged

AT_MS = NOON_MS + 2 * HOUR_MS


def test_a_correction_supersedes_and_the_last_one_counts(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            wrong = api.drop_pan(opened, TRUCK, AT_MS, volume_l=9.0, odometer_km=1.0)
        with book(database, who="Lee") as opened:
            right = api.correct(
                opened,
                wrong.id or 0,
                at_ms=AT_MS + HOUR_MS,
                numbers={"volume_l": 4.5, "odometer_km": None},
                note="two jugs were counted twice",
            )
            assert (right.supersedes, right.who, dict(right.numbers)) == (
                wrong.id,
                "Lee",
                {"volume_l": 4.5},
            )
            with pytest.raises(CannotEnter, match="entry 1 counts no longer: entry 2"):
                api.correct(opened, wrong.id or 0, note="again")
            with pytest.raises(CannotEnter, match="entry 1 counts no longer: entry 2"):
                api.strike(opened, wrong.id or 0, note="again")
        running.commit_record()
        alone = blank(STATE)
        run(courses()(TRUCK, [right]), alone, merged(DAY)[0])
        assert running.trucks[TRUCK].state.tobytes() == alone.tobytes()


def test_what_is_struck_out_counts_no_longer_and_stays_so(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        before = running.trucks[TRUCK].state.tobytes()
        with book(database) as opened:
            entry = api.drop_pan(opened, TRUCK, AT_MS)
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() != before
        with book(database) as opened:
            struck = api.strike(opened, entry.id or 0, note="it was NF-02")
            with pytest.raises(CannotEnter, match="entry 2 only strikes out entry 1"):
                api.strike(opened, struck.id or 0, note="after all")
        running.commit_record()
        assert running.trucks[TRUCK].state.tobytes() == before


def test_what_follows_from_a_corrected_number_follows_again(tmp_path: Path) -> None:
    findings = LabFindings(
        acid_mg_g=1.8, acid_new_mg_g=0.6, viscosity_mm2_s=5.4, viscosity_new_mm2_s=6.0
    )
    with heard(tmp_path) as (database, _), book(database) as opened:
        entry = api.add_sample(opened, TRUCK, AT_MS, findings, laboratory="our own")
        assert entry.numbers["viscosity_change"] == pytest.approx(-0.1)
        changed = api.correct(opened, entry.id or 0, numbers={"acid_mg_g": 2.1})
        assert changed.numbers["acid_rise_mg_g"] == pytest.approx(1.5)
        assert changed.numbers["viscosity_change"] == pytest.approx(-0.1)
        assert changed.words == {"laboratory": "our own"}
        given = api.correct(opened, changed.id or 0, numbers={"viscosity_mm2_s": None})
        assert given.numbers["viscosity_change"] == pytest.approx(-0.1)


def test_an_account_now_counts_what_no_sample_has_followed(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with database.read() as conn:
            before = api.account_of(conn, reader(), TRUCK)
        with book(database) as opened:
            api.drop_pan(opened, TRUCK, AFTER_MS, volume_l=4.5)
        running.commit_record()
        with database.read() as conn:
            now = api.account_of(conn, reader(), TRUCK)
            earlier = api.account_of(conn, reader(now_ms=AFTER_MS - HOUR_MS), TRUCK)
            assert api.account_of(conn, reader(), "NF-02") is None
        assert before is not None
        assert now is not None
        # 4.5 of 12 L: the share 0.6250 stays (check: 1 - 4.5/12).
        assert now.life_used == pytest.approx(0.6250 * before.life_used, rel=1e-12)
        assert earlier == before


def test_a_record_and_a_registration_in_the_file_both(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            api.register_truck(opened, STRANGER, words={"circuit": "full_flow"})
        running.commit_record()
        named = type(FLEET)(
            vehicles={**FLEET.vehicles, STRANGER: FLEET.vehicle(STRANGER)}, fluids=FLEET.fluids
        )
        with database.read() as conn:
            assert reader(named).truck(conn, STRANGER).vehicle.circuit == "thermostatic_bypass"
            assert reader().truck(conn, STRANGER).vehicle.circuit == "full_flow"


def test_a_truck_never_heard_and_one_out_of_date_have_no_account(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running), database.read() as conn:
        assert reader().truck(conn, "NF-02").standing == "never heard"
        hotter = type(FLEET)(
            vehicles={TRUCK: Vehicle(name=TRUCK, life_used_at_start=0.9)}, fluids=FLEET.fluids
        )
        stored = reader(hotter).truck(conn, TRUCK)
        assert (stored.standing, stored.state) == ("out of date", None)
        assert {truck.name for truck in reader().trucks(conn)} == {TRUCK, "NF-02", STRANGER}
        assert len(running.trucks) == 2


def test_entries_that_do_not_count_yet_are_said_to_wait(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            api.drop_pan(opened, TRUCK, AT_MS)
        with database.read() as conn:
            stored = reader().truck(conn, TRUCK)
        assert stored.waiting
        assert stored.state is not None
        assert stored.state.tobytes() == running.trucks[TRUCK].state.tobytes()
        running.commit_record()
        with database.read() as conn:
            assert not reader().truck(conn, TRUCK).waiting


def test_a_fluid_that_the_fleet_file_has_lost_is_asked_back(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            api.change_fluid(opened, TRUCK, AT_MS, fluid="slow")
        running.commit_record()
        lost = type(FLEET)(vehicles=FLEET.vehicles)
        with pytest.raises(BadSettings, match=r"put \[fluids\.slow\] back") as caught:
            pipeline(database, courses=courses(lost), model_version=model_version())
        assert "the service record of NF-01 names it" in str(caught.value)


@pytest.mark.parametrize("minute", [0, 1, 121, 299, 300, 400])
def test_a_truck_as_it_was_is_what_its_samples_until_then_give(
    tmp_path: Path, minute: int
) -> None:
    time_ms = NOON_MS + minute * MINUTE_MS
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            entry = api.drop_pan(opened, TRUCK, NOON_MS + 120 * MINUTE_MS + 1)
        running.commit_record()
        alone = blank(STATE)
        course = courses()(TRUCK, [entry])
        run(course, alone, merged(DAY[:minute])[0])
        alone = settle(course, alone, time_ms - 1)
        with database.read() as conn:
            held = reader().truck(conn, TRUCK).held
            assert held is not None
            assert state_at(conn, held, time_ms).tobytes() == alone.tobytes()


def test_what_pan_drops_would_do_is_what_they_do(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with database.read() as conn:
            told = api.preview_pan_drops(conn, reader(), TRUCK, volume_l=4.5)
        # (1 - 4.5/12)^n: .6250, .3906, .2441; five drops until nine tenths are new.
        assert [round(each.old_share, 4) for each in told.mixtures] == [
            1.0,
            0.625,
            0.3906,
            0.2441,
        ]
        assert told.mostly_new == 5
        for mixture in told.mixtures[1:]:
            with book(database) as opened:
                api.drop_pan(opened, TRUCK, NOW_MS, volume_l=4.5)
            running.commit_record()
            with database.read() as conn:
                account = api.account_of(conn, reader(), TRUCK)
            assert account is not None
            assert account.life_used == pytest.approx(mixture.life_used, rel=1e-12)
            assert account.antioxidant_left == pytest.approx(mixture.antioxidant, rel=1e-12)
            assert account.life_low <= account.life_used <= account.life_high


def test_a_preview_without_a_volume_takes_the_usual_share(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, _), database.read() as conn:
        told = api.preview_pan_drops(conn, reader(), TRUCK)
        # Common practice: 30 to 45 %; 37.5 % of 12 L.
        assert (told.volume_l, told.measured) == (4.5, False)
        with pytest.raises(CannotEnter, match=r"0\.0 L is no pan drop"):
            api.preview_pan_drops(conn, reader(), TRUCK, volume_l=0.0)


def test_the_next_service_is_known_of_a_truck_with_an_account(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with database.read() as conn:
            before = api.due_of_truck(conn, reader(), TRUCK)
            assert api.due_of_truck(conn, reader(), "NF-02") is None
        with book(database) as opened:
            api.exchange_fluid(opened, TRUCK, NOW_MS)
        running.commit_record()
        with database.read() as conn:
            after = api.due_of_truck(conn, reader(), TRUCK)
        assert before is not None
        assert after is not None
        assert after.share_by_heat == 0.0
        assert after.distance_km == 0.0
        assert (after.median_ms or 2**62) > (before.median_ms or 0)
