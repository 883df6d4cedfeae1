"""What stays a suspicion is dropped after so much driving, but not while people may have been told.

The odds are written by hand before each window, so that a truck is as suspected as a test wants it; that
they are dropped at all is tested on a truck that makes its own.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.bank import FIRST_H, LEARNS_FROM
from models.circuit import FAULT, STATES
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, OPEN, SHUT, SLIP
from models.thermal import DOUBTED, PATIENCE_H, SUSPECT
from tests.models.test_thermal import BY_AIR, BY_ENGINE, BYPASS_TRUCK, OWN, Drive, called

SPAN_S = 260.0
"""Samples so far apart that each ends a window [s]; no whole number of them is just the patience."""

PATIENT = math.ceil(PATIENCE_H * 3600.0 / SPAN_S)
"""Windows after which a suspicion is dropped."""

LEARNS, UNSURE, DOUBTFUL, SURE = "learns", "unsure", "doubtful", "sure"
"""Nothing is suspected; something is, not surely enough to be told; hardly; surely enough."""

SUSPECTED = 1e-6
"""Probability of a sound truck so low, or of a fault, that no single window makes it one that learns, or
none."""


class Suspect(Drive):
    """A truck that is as suspected as a test says."""

    def first_odds(self) -> Any:
        odds = FIRST_H * self.params.bank.begins_per_h
        odds[HEALTHY] = 1.0 - odds.sum()
        return odds

    def window(self, how: str, fault: int = AIR) -> bool:
        """Drive one window, so suspected and so told before it; say whether the suspicion was dropped."""
        sure = float(self.params.sure[fault])
        told = {
            LEARNS: 0.0,
            UNSURE: 0.5 * (DOUBTED + sure),
            DOUBTFUL: DOUBTED - 0.01,
            SURE: sure,
        }
        put(self.thermal.bank.p, fault, SUSPECTED if how == LEARNS else 1.0 - SUSPECTED)
        put(self.thermal.p, fault, told[how])
        self.step(SPAN_S)
        return bool(self.thermal.bank.p == pytest.approx(self.first_odds(), rel=1e-12, abs=0.0))

    def windows(self, how: str, count: int, fault: int = AIR) -> list[int]:
        """Drive so many; give those after which the suspicion was dropped."""
        return [number for number in range(1, count + 1) if self.window(how, fault)]


def put(odds: Any, fault: int, probability: float) -> None:
    odds[:] = 0.0
    odds[[HEALTHY, fault]] = 1.0 - probability, probability


def test_a_truck_that_makes_its_own_odds_drops_a_suspicion_too() -> None:
    """While the valve is rightly shut, a lack of air shows nothing: so it stays as suspected as it was."""
    drive = Drive()
    drive.view.fluid_c, drive.view.heat_w, drive.view.heat_sd_w = 50.0, 1_500.0, 500.0
    drive.go(3600.0)
    put(drive.thermal.bank.p, AIR, 0.95)
    windows, suspected = drive.thermal.windows, []
    for _ in range(round((PATIENCE_H + 1.0) * 3600.0 / 30.0)):
        drive.step(30.0)
        suspected.append(bool(drive.thermal.bank.p[HEALTHY] <= LEARNS_FROM))
    assert drive.thermal.windows - windows == len(suspected)
    dropped_h = suspected.index(False) * 30.0 / 3600.0
    assert dropped_h == pytest.approx(PATIENCE_H, abs=0.02)
    assert not any(suspected[suspected.index(False) :])


@pytest.mark.parametrize("fault", [SHUT, LOW, OPEN, AIR, FLOW])
def test_a_suspicion_is_dropped_after_so_much_driving_and_not_before(fault: int) -> None:
    assert Suspect().windows(UNSURE, PATIENT, fault) == [PATIENT]


def test_so_is_more_heat_that_nobody_is_told_of_here() -> None:
    truck, dropped = Suspect(), []
    for number in range(1, PATIENT + 1):
        put(truck.thermal.bank.p, SLIP, 1.0 - SUSPECTED)
        put(truck.thermal.p, SLIP, 1.0 - 1e-9)
        truck.step(SPAN_S)
        if truck.thermal.bank.p[HEALTHY] > LEARNS_FROM:
            dropped.append(number)
    assert dropped == [PATIENT]


def test_one_that_nobody_would_believe_is_dropped_as_well() -> None:
    assert Suspect().windows(DOUBTFUL, PATIENT) == [PATIENT]


@pytest.mark.parametrize("vehicle", BY_AIR + BY_ENGINE, ids=called)
def test_then_the_truck_is_sound_and_learns_and_its_faults_begin_anew(vehicle: Any) -> None:
    truck = Suspect(vehicle)
    truck.window(UNSURE, FLOW)
    scales = [float(truck.thermal[name]) for name in OWN]
    assert truck.windows(UNSURE, PATIENT - 1, FLOW) == [PATIENT - 1]
    thermal, bank = truck.thermal, truck.thermal.bank
    assert bank.p.sum() == pytest.approx(1.0)
    assert bank.p[HEALTHY] > LEARNS_FROM
    assert thermal.p[HEALTHY] >= SUSPECT
    assert (thermal.suspect_ms, thermal.unsure_h, thermal.told) == (0, 0.0, 0)
    xs = bank.x.reshape(COUNT, STATES)
    own = [place for place in range(STATES) if place != FAULT]
    for place in np.flatnonzero(truck.params.bank.begins_per_h):
        assert xs[place][own].tolist() == xs[HEALTHY][own].tolist()
    assert [float(thermal[name]) for name in OWN] == scales
    truck.step(SPAN_S)
    assert bank.p[HEALTHY] > LEARNS_FROM
    assert all(thermal[name] != scale for name, scale in zip(OWN, scales, strict=True))


def test_then_it_has_as_long_again() -> None:
    assert Suspect().windows(UNSURE, 3 * PATIENT) == [PATIENT, 2 * PATIENT, 3 * PATIENT]


@pytest.mark.parametrize("fault", [SHUT, LOW, OPEN, AIR, FLOW])
def test_what_people_may_have_been_told_of_is_kept(fault: int) -> None:
    assert Suspect().windows(SURE, 2 * PATIENT, fault) == []


@pytest.mark.parametrize("fault", [SHUT, LOW, OPEN, AIR, FLOW])
def test_and_stays_so_until_it_is_doubted(fault: int) -> None:
    truck = Suspect()
    assert not truck.window(SURE, fault)
    assert truck.windows(UNSURE, 2 * PATIENT, fault) == []
    assert truck.windows(DOUBTFUL, 1, fault) == []
    assert truck.windows(UNSURE, PATIENT - 1, fault) == [PATIENT - 1]


def test_just_short_of_where_people_are_told_nobody_has_been() -> None:
    truck = Suspect()
    for fault in (SHUT, LOW, OPEN, AIR, FLOW):
        sure = float(truck.params.sure[fault])
        for told, so in ((sure - 1e-9, 0), (sure, 1), (DOUBTED, 1), (DOUBTED - 1e-9, 0)):
            put(truck.thermal.p, fault, told)
            truck.step(SPAN_S)
            assert truck.thermal.told == so


def test_of_several_faults_the_likeliest_says_how_sure_they_must_be_together() -> None:
    truck = Suspect()
    sure = truck.params.sure
    assert sure[SHUT] < sure[OPEN] < sure[AIR]
    for likeliest, other in ((SHUT, AIR), (AIR, SHUT), (OPEN, AIR), (AIR, OPEN), (OPEN, SHUT)):
        for beyond, so in ((-1e-6, 0), (1e-6, 1)):
            fault = float(sure[likeliest]) + beyond
            odds = truck.thermal.p
            odds[:] = 0.0
            odds[[HEALTHY, likeliest, other]] = 1.0 - fault, 0.8 * fault, 0.2 * fault
            truck.thermal.told = 0
            truck.step(SPAN_S)
            assert truck.thermal.told == so


def test_while_a_truck_learns_no_patience_is_lost() -> None:
    truck = Suspect()
    assert truck.windows(UNSURE, PATIENT - 1) == []
    assert truck.windows(LEARNS, 1) == []
    assert truck.thermal.unsure_h == 0.0
    assert truck.windows(UNSURE, PATIENT) == [PATIENT]


def test_from_where_it_learns_is_where_the_bank_does() -> None:
    truck, counted = Suspect(), set()
    for healthy in np.linspace(0.02, 0.98, 49):
        put(truck.thermal.bank.p, AIR, 1.0 - healthy)
        truck.thermal.unsure_h = 0.0
        truck.step(SPAN_S)
        counts = bool(truck.thermal.unsure_h > 0.0)
        assert counts is bool(truck.thermal.bank.p[HEALTHY] <= LEARNS_FROM)
        counted.add(counts)
    assert counted == {True, False}


@pytest.mark.parametrize("nothing_told", ["sensor in doubt", "engine off"])
def test_time_in_which_nothing_could_be_told_does_not_count(nothing_told: str) -> None:
    truck = Suspect()
    if nothing_told == "engine off":
        truck.view.rpm = 0.0  # from the end of the next window on
    assert not truck.window(UNSURE)
    counted_h = float(truck.thermal.unsure_h)
    assert counted_h > 0.0
    windows = int(truck.thermal.windows)
    for _ in range(5):
        put(truck.thermal.bank.p, AIR, 1.0 - SUSPECTED)
        truck.step(SPAN_S, sensor_off=0.99 if nothing_told == "sensor in doubt" else 0.0)
    assert truck.thermal.windows == windows + 5
    assert truck.thermal.unsure_h == counted_h


def test_time_between_drives_is_no_driving() -> None:
    truck = Suspect()
    assert truck.windows(UNSURE, PATIENT - 1) == []
    for _ in range(5):
        truck.view.time_ms += 12 * 3600 * 1000
        truck.step(0.0, gap_s=12.0 * 3600.0)
        truck.view.gap_s = 0.0
    assert truck.thermal.bank.p[HEALTHY] < LEARNS_FROM
    assert truck.windows(UNSURE, 1) == [1]


@pytest.mark.parametrize("name", ["rpm", "fluid_c"])
def test_nor_is_time_in_which_no_window_ends(name: str) -> None:
    truck = Suspect()
    assert truck.windows(UNSURE, PATIENT - 1) == []
    read, hours = float(truck.view[name]), float(truck.thermal.unsure_h)
    for _ in range(PATIENT):
        truck.step(SPAN_S, **{name: math.nan})
    assert truck.thermal.unsure_h == hours
    truck.step(0.0, **{name: read})
    assert truck.windows(UNSURE, 1) == [1]


phases = st.lists(
    st.tuples(st.sampled_from([LEARNS, UNSURE, DOUBTFUL, SURE]), st.integers(1, PATIENT + 20)),
    min_size=1,
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(phases=phases)
def test_whatever_the_course_only_whole_patience_without_news_drops_a_suspicion(
    phases: list[tuple[str, int]],
) -> None:
    truck, waited, told, expected, found = Suspect(BYPASS_TRUCK), 0, False, [], []
    for how, count in phases:
        for _ in range(count):
            told = how == SURE or (told and how == UNSURE)
            waited = 0 if told or how == LEARNS else waited + 1
            expected.append(waited == PATIENT)
            waited %= PATIENT
            found.append(truck.window(how))
    assert found == expected
