"""What healthy trucks leave unexplained: near white, and no wider than stated.

The odds count every window as news. What one leaves unexplained must then tell nothing of the next, or little
enough that ``models.bank.TEMPER`` makes up for it. Autocorrelation by statsmodels.
"""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.tsa.stattools import acf

from models.bank import TEMPER
from models.course import run
from models.fleet import Circuit, ThermalClass
from models.kernel import STATE
from models.layout import blank
from tests.contract.roads import Road, course_of, recorded

SETTLES = 10
"""Windows after the start that are left out: the metal's temperature is not known yet."""

TOGETHER = 20
"""Windows, ten minutes, over which residuals are summed."""

CIRCUITS: tuple[Circuit, ...] = ("thermostatic_bypass", "full_flow", "coolant_exchanger")
CLASSES: tuple[ThermalClass, ...] = ("pickup", "medium", "heavy")
ROADS = tuple(
    Road(circuit=circuit, truck_class=truck_class, route=route, hours=3.0, seed=seed)
    for seed, (circuit, truck_class, route) in enumerate(
        product(CIRCUITS, CLASSES, ("hills", "climb", "city")), start=20
    )
)


@cache
def residuals(road: Road) -> NDArray[np.float64]:
    """Drive a healthy truck; give fluid less what was foretold, window by window, in standard deviations."""
    course, state, samples = course_of(road.vehicle), blank(STATE), recorded(road)
    thermal = state["truck"]["thermal"]
    found, windows = [], 0
    for place in range(len(samples)):
        run(course, state, samples[place : place + 1])
        if thermal["windows"][0] != windows:
            windows = thermal["windows"][0]
            bank = thermal["bank"][0]
            found.append(bank["off_k"] / bank["off_sd_k"])
    return np.array(found[SETTLES:])


def lag_one(values: NDArray[np.float64]) -> float:
    return float(acf(values, nlags=1)[1])


def summed(values: NDArray[np.float64]) -> float:
    """Give the variance of sums over ``TOGETHER`` windows, 1 for white residuals as wide as stated."""
    whole = len(values) // TOGETHER * TOGETHER
    return float(np.mean(values[:whole].reshape(-1, TOGETHER).sum(axis=1) ** 2) / TOGETHER)


def test_they_are_near_white_and_no_wider_than_stated() -> None:
    all_of_them = [residuals(road) for road in ROADS]
    assert np.mean([lag_one(each) for each in all_of_them]) < 0.3
    assert np.mean([each.var() for each in all_of_them]) <= 1.0
    assert abs(np.mean([each.mean() for each in all_of_them])) < 0.2


@pytest.mark.parametrize("truck_class", CLASSES)
def test_what_neighbours_share_the_tempered_odds_make_up_for(truck_class: ThermalClass) -> None:
    some = [residuals(road) for road in ROADS if road.truck_class == truck_class]
    assert TEMPER * np.mean([summed(each) for each in some]) <= 1.0
