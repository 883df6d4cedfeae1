"""Does the forecast say how sure it may be? 200 simulated trucks, two years, changing duty.

The constants of ``models/forecast.py`` were tuned on the trucks of seeds 10,000 to 10,299 alone; the
trucks here were not looked at for it. The trucks share no code with the models (``simulator/duty.py``).
The true date is when the account really reached its limit, by whichever came first. Forecasts were made
once a week. What was forecast "by age" cannot come true here, since the record ends with the second year:
the table holds only those that something else came before. Bounds: our own requirement.

``pytest -s tests/models/test_forecast_calibration.py`` prints the table.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest

from tests.models.long_duty import Forecast, forecasts

SEEDS = range(200)
LEADS_D = (7, 14, 21, 28, 42, 63, 90, 120)
MONTH_D = (26.5, 33.5)


@pytest.fixture(scope="module")
def told() -> list[Forecast]:
    found = [one for seed in SEEDS for one in forecasts(seed)]
    return [one for one in found if LEADS_D[0] <= one.lead_days <= LEADS_D[-1]]


def _between(told: Sequence[Forecast], low: float, high: float) -> list[Forecast]:
    return [one for one in told if low <= one.lead_days < high]


def _coverage(told: Sequence[Forecast]) -> float:
    return float(np.mean([one.held == 0 for one in told]))


def _median_error(told: Sequence[Forecast]) -> float:
    return float(np.median([abs(one.error_days) for one in told]))


def _line(name: str, told: Sequence[Forecast]) -> str:
    missed = [float(np.mean([one.held == side for one in told])) for side in (-1, 1)]
    bias = float(np.median([one.error_days for one in told]))
    return (
        f"{name:>16} {len(told):6d} {_coverage(told):9.1%} {missed[0]:8.1%} {missed[1]:8.1%} "
        f"{_median_error(told):10.1f} {bias:+8.1f}"
    )


def _table(told: Sequence[Forecast]) -> str:
    head = ("days ahead", "said", "in 8 of 10", "earlier", "later", "median |e|", "median e")
    lines = ["{:>16} {:>6} {:>9} {:>7} {:>8} {:>10} {:>8}".format(*head)]
    lines += [
        _line(f"{low} to {high}", _between(told, low, high)) for low, high in pairwise(LEADS_D)
    ]
    for reason in sorted({one.said.reason for one in told}):
        lines.append(_line(f"by {reason}", [one for one in told if one.said.reason == reason]))
    lines.append(_line("about 30", _between(told, *MONTH_D)))
    lines.append(_line("all", told))
    trucks, services = _sources(told)
    return "\n".join(("", *lines, f"{trucks} trucks, {services} services", ""))


def _sources(told: Sequence[Forecast]) -> tuple[int, int]:
    return len({one.seed for one in told}), len({(one.seed, one.due_ms) for one in told})


def test_eight_in_ten_is_eight_in_ten(told: list[Forecast]) -> None:
    sys.stdout.write(_table(told))
    assert _sources(told)[0] > 150
    assert 0.75 <= _coverage(told) <= 0.85


def test_a_month_ahead_the_date_is_good_to_twelve_days(told: list[Forecast]) -> None:
    assert _median_error(_between(told, *MONTH_D)) < 12.0


@pytest.mark.parametrize(("low", "high"), [(7, 28), (28, 63), (63, 120)])
def test_near_and_far_are_calibrated_too(told: list[Forecast], low: float, high: float) -> None:
    # Wider than for all together: a band holds a third of the forecasts, and those of one truck are alike.
    assert 0.72 <= _coverage(_between(told, low, high)) <= 0.88
