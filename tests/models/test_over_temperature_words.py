"""An alarm claims no more of the cooling circuit than the heat balance has shown."""

from __future__ import annotations

import math

import pytest

from models.detectors.over_temperature import OVER_TEMPERATURE
from models.units import METRIC, US

SEEN = {
    "fluid_temp_c": 126.0,
    "limit_c": 121.0,
    "peak_temp_c": 127.0,
    "minutes_above_limit": 8.0,
    "ambient_temp_c": 33.0,
    "heat_kw": 26.0,
}


@pytest.mark.parametrize(
    ("judged", "fault", "said"),
    [
        (0.5, 0.0001, "not a fault"),
        (0.5, 0.97, "may be at fault"),
        (math.nan, 0.0, "do not show"),
        (31.0, 0.0, "do not show"),
    ],
)
def test_duty_a_fault_and_not_knowing_are_told_apart(
    judged: float, fault: float, said: str
) -> None:
    evidence = {
        **SEEN,
        "circuit_fault_probability": fault,
        "circuit_judged_minutes_ago": judged,
    }
    assert said in OVER_TEMPERATURE.words(evidence, METRIC).doubts


def test_a_person_reads_the_units_of_their_choice() -> None:
    evidence = {**SEEN, "circuit_fault_probability": 0.0, "circuit_judged_minutes_ago": 1.0}
    assert "121 °C" in OVER_TEMPERATURE.words(evidence, METRIC).observed
    assert "250 °F" in OVER_TEMPERATURE.words(evidence, US).observed
