"""One battery for every detector, found by walking the list: nobody can opt out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from alerts.gsm import spelt
from alerts.short_form import sentences, short
from models.course import run
from models.detector import EVIDENCE_SIZE, Detector
from models.detectors import DETECTORS
from models.fleet import Limits, Vehicle
from models.kernel import EVENT, KINDS, PARAMS, STATE
from models.layout import blank, copied
from models.units import METRIC, US, Units
from models.words import Words
from tests.contract.roads import (
    COOLANT_SHUT,
    FROZEN,
    OVERCOOLED,
    OVERLOADED,
    SLIPPING,
    STARVED,
    STUCK,
    Finding,
    Road,
    course_of,
    findings,
    judge,
    raised,
    recorded,
    seconds_at,
    unclear,
)

each_detector = pytest.mark.parametrize("detector", DETECTORS, ids=lambda one: one.kind)

WORN = Road(route="flat", hours=1.0)


def _worn(vehicle: Vehicle) -> Vehicle:
    """A fill whose service falls due in the hour."""
    limits = Limits(service_distance_km=1_030.0)
    return replace(vehicle, installed_odometer_km=83_000.0, limits=limits)


def _same(vehicle: Vehicle) -> Vehicle:
    return vehicle


def _hot(road: Road, celsius: float = 105.0) -> float:
    return seconds_at(recorded(road), celsius, road.since_s)


class Trouble(NamedTuple):
    """The simulated trouble that a detector exists for."""

    road: Callable[[], Road]
    cause_s: Callable[[], float]  # from when on it can be told [s]
    in_time_s: float  # how long after that it may take [s]
    changed: Callable[[Vehicle], Vehicle] = _same


# The times are our own limits, no source: what leaves a driver on a climb time to act for what is hot, two
# loaded drives for a cooler, one for a fluid that is too cold; the service has its road's hour.
TROUBLE: dict[str, Trouble] = {
    "bypass_stuck": Trouble(lambda: STUCK, lambda: _hot(STUCK), 360.0),
    "over_temperature": Trouble(lambda: OVERLOADED, lambda: _hot(OVERLOADED, 121.0), 660.0),
    "overcooled": Trouble(lambda: OVERCOOLED, lambda: OVERCOOLED.since_s, 3600.0),
    "cooler_starved": Trouble(lambda: STARVED, lambda: _hot(STARVED), 3600.0),
    "coolant_valve_stuck": Trouble(lambda: COOLANT_SHUT, lambda: _hot(COOLANT_SHUT), 360.0),
    "heat_rejection_low": Trouble(unclear, lambda: unclear().since_s, 7200.0),
    "sensor_fault": Trouble(lambda: FROZEN, lambda: FROZEN.since_s, 600.0),
    "lockup_slip": Trouble(lambda: SLIPPING, lambda: SLIPPING.since_s, 600.0),
    "service_due": Trouble(lambda: WORN, lambda: 0.0, 3600.0, _worn),
}


def troubled(kind: str) -> list[Finding]:
    trouble = TROUBLE[kind]
    road = trouble.road()
    return judge(recorded(road), trouble.changed(road.vehicle))


def _leaves(dtype: np.dtype[Any]) -> list[np.dtype[Any]]:
    if dtype.names is None:
        return [dtype.base]
    return [leaf for name in dtype.names for leaf in _leaves(dtype[name])]


def test_every_detector_has_its_trouble() -> None:
    kinds = [detector.kind for detector in DETECTORS]
    assert set(TROUBLE) == set(kinds)
    assert len(kinds) == len(set(kinds))
    assert (*kinds, "gateway_silent") == KINDS


@pytest.mark.parametrize("dtype", [STATE, PARAMS, EVENT])
def test_records_are_flat_numbers(dtype: np.dtype[Any]) -> None:
    assert {leaf.str for leaf in _leaves(dtype)} <= {"<f8", "<i8"}


@each_detector
def test_evidence_has_its_names_and_nothing_beyond(detector: Detector) -> None:
    names = detector.evidence
    assert len(names) == len(set(names)) <= EVIDENCE_SIZE
    for finding in troubled(detector.kind):
        if finding.kind == detector.kind:
            assert not any(finding.evidence[len(names) :])
            assert not all(math.isnan(one) for one in finding.evidence[: len(names)])


@each_detector
def test_finds_what_it_exists_for_in_time(detector: Detector) -> None:
    trouble = TROUBLE[detector.kind]
    first_s = raised(troubled(detector.kind), detector.kind)[0]
    assert first_s <= trouble.cause_s() + trouble.in_time_s


@each_detector
def test_each_event_is_an_edge(detector: Detector) -> None:
    standing = 0
    for finding in troubled(detector.kind):
        if finding.kind == detector.kind:
            assert 0.0 <= finding.probability <= 1.0
            assert 1 <= finding.priority <= 4
            assert finding.priority > standing if finding.active else standing > 0
            standing = finding.priority if finding.active else 0


@pytest.mark.parametrize("kind", sorted(TROUBLE))
def test_a_restart_anywhere_changes_nothing(kind: str) -> None:
    trouble = TROUBLE[kind]
    road = trouble.road()
    samples, course = recorded(road), course_of(trouble.changed(road.vehicle))
    whole = blank(STATE)
    expected = findings(run(course, whole, samples))
    state = blank(STATE)
    found: list[NDArray[Any]] = []
    for row in range(len(samples)):
        state = copied(state)
        found += run(course, state, samples[row : row + 1])
    assert state.tobytes() == whole.tobytes()
    assert _bits(findings(found)) == _bits(expected)


def _bits(found: list[Finding]) -> str:
    return repr(found)  # NaN does not equal itself, but reads the same


@each_detector
def test_its_words_fit_the_evidence_it_gives(detector: Detector) -> None:
    found = [one for one in troubled(detector.kind) if one.kind == detector.kind]
    assert found
    for finding in found:
        evidence = dict(zip(detector.evidence, finding.evidence, strict=False))
        metric, american = detector.words(evidence, METRIC), detector.words(evidence, US)
        for words in (metric, american):
            texts = (words.title, words.observed, words.expected, words.doubts, words.action)
            assert all(text.strip() for text in texts)
            assert words.cautions
            assert "nan" not in " ".join(texts).lower().split()
            assert len(words.title) < 100
        assert "°F" not in _all(metric)
        assert " mi" not in metric.observed.replace(" min", "")
        assert "°C" not in _all(american)
        if any(name.endswith("_c") for name in detector.evidence):
            assert "°C" in _all(metric)
            assert "°F" in _all(american)


def _all(words: Any) -> str:
    return " ".join((words.title, words.observed, words.expected, words.doubts, words.action))


@each_detector
def test_its_cautions_never_send_anybody_under_a_truck(detector: Detector) -> None:
    """Check what the trade commonly says; no source."""
    for words in _said(detector, METRIC):
        driver, technician = " ".join(words.driver), " ".join(words.technician)
        assert "scalds" in technician
        assert "never under a jack alone" in technician
        assert "maker's manual" in technician
        assert "under the truck" not in words.action
        assert "jack" not in driver
        if detector.kind == "service_due":
            assert "Nothing to do on the road" in driver
        else:
            assert "off the roadway, out of traffic, off the grade" in driver
        if detector.kind not in ("sensor_fault", "service_due", "overcooled"):
            assert "makers differ" in driver
            assert "scald" in driver


@each_detector
def test_what_to_do_at_once_fits_a_text_message_whole(detector: Detector) -> None:
    for units in (METRIC, US):
        for words in _said(detector, units):
            order = sentences(words.action)[0] if not words.at_once else words.at_once
            for code in ("NF-03", "rig-of-the-north-yard-12"):
                told = short("ALARM CRITICAL", code, "", words, [], act=True)
                assert f"{code}: " in told
                assert spelt(order).rstrip(".") in told


def _said(detector: Detector, units: Units) -> list[Words]:
    return [
        detector.words(dict(zip(detector.evidence, one.evidence, strict=False)), units)
        for one in troubled(detector.kind)
        if one.kind == detector.kind
    ]
