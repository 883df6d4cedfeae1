"""One battery for every detector, found by walking the list: nobody can opt out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.course import run
from models.detector import EVIDENCE_SIZE, Detector
from models.detectors import DETECTORS
from models.fleet import Limits, Vehicle
from models.kernel import EVENT, KINDS, PARAMS, STATE
from models.layout import blank, copied
from models.units import METRIC, US
from tests.contract.roads import (
    FROZEN,
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
)

each_detector = pytest.mark.parametrize("detector", DETECTORS, ids=lambda one: one.kind)

WORN = Road(route="flat", hours=1.0)


def _worn(vehicle: Vehicle) -> Vehicle:
    """A fill whose service falls due in the hour."""
    limits = Limits(service_distance_km=1_030.0)
    return replace(vehicle, installed_odometer_km=83_000.0, limits=limits)


#: The simulated trouble each detector exists for, and how long after its cause it may take [s].
TROUBLE: dict[str, tuple[Road, Callable[[Vehicle], Vehicle], Callable[[], float]]] = {
    "bypass_stuck": (STUCK, lambda truck: truck, lambda: seconds_at(recorded(STUCK), 105.0)),
    "over_temperature": (
        OVERLOADED,
        lambda truck: truck,
        lambda: seconds_at(recorded(OVERLOADED), 121.0),
    ),
    "heat_rejection_low": (
        STARVED,
        lambda truck: truck,
        lambda: seconds_at(recorded(STARVED), 105.0),
    ),
    "sensor_fault": (FROZEN, lambda truck: truck, lambda: FROZEN.since_s),
    "lockup_slip": (SLIPPING, lambda truck: truck, lambda: SLIPPING.since_s),
    "service_due": (WORN, _worn, lambda: 0.0),
}
# Our own limits, no source: for the first three what leaves a driver on a climb time to act; the
# service has the length of the road, an hour.
IN_TIME_S = {
    "bypass_stuck": 360.0,
    "over_temperature": 660.0,
    "heat_rejection_low": 1000.0,
    "sensor_fault": 600.0,
    "lockup_slip": 600.0,
    "service_due": 3600.0,
}


def troubled(kind: str) -> list[Finding]:
    road, changed, _ = TROUBLE[kind]
    return judge(recorded(road), changed(road.vehicle))


def _leaves(dtype: np.dtype[Any]) -> list[np.dtype[Any]]:
    if dtype.names is None:
        return [dtype.base]
    return [leaf for name in dtype.names for leaf in _leaves(dtype[name])]


def test_every_detector_has_its_trouble() -> None:
    kinds = [detector.kind for detector in DETECTORS]
    assert set(TROUBLE) == set(IN_TIME_S) == set(kinds)
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
    cause_s = TROUBLE[detector.kind][2]()
    first_s = raised(troubled(detector.kind), detector.kind)[0]
    assert first_s <= cause_s + IN_TIME_S[detector.kind]


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
    road, changed, _ = TROUBLE[kind]
    samples, course = recorded(road), course_of(changed(road.vehicle))
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
    (first, *_) = (one for one in troubled(detector.kind) if one.kind == detector.kind)
    evidence = dict(zip(detector.evidence, first.evidence, strict=False))
    words = detector.words(evidence, METRIC)
    cautions = " ".join(words.cautions)
    assert "scalds" in cautions
    assert "never under a jack alone" in cautions
    assert "under the truck" not in words.action
    if detector.kind != "service_due":
        assert "off the roadway" in cautions
