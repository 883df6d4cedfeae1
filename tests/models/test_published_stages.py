"""Two stages: the antioxidant goes first, then the fluid oxidises; at one temperature, worked by hand."""

from __future__ import annotations

import pytest

from models.mixture import antioxidant_left, oxidation
from tests.models.entries import parts
from tests.models.fills import FOREVER_S, fill_params, run, steps
from tests.printed import agrees

HOUR_S = 3600.0


@pytest.mark.parametrize(
    ("celsius", "hours"), [(80.0, "2500"), (100.0, "613.1"), (120.0, "173.5"), (140.0, "55.5")]
)
def test_time_until_a_quarter_of_the_antioxidant_is_left(celsius: float, hours: str) -> None:
    # Worked for first-order consumption as Hunter et al. have it (Lubrication Engineering 49(6), 1993,
    # abstract): ln 4 in 2500 h at 80 °C, 77 kJ/mol.
    params = fill_params(
        max_gap_s=FOREVER_S,
        reference_c=80.0,
        activation_energy_j_mol=77_000.0,
        reference_life_s=2500.0 * HOUR_S,
        antioxidant_at_end=0.25,
    )
    own, account = parts(params, run(params, steps([(float(hours), celsius)])))
    rounding = 0.05 / float(
        hours
    )  # half a unit of the last printed digit, as a share of the time
    assert antioxidant_left(own, account) == pytest.approx(0.25, rel=1.4 * rounding + 1e-6)
    spent_h = account.heat.equivalent_s / HOUR_S
    assert agrees(float(hours) * 2500.0 / spent_h, hours)
    assert oxidation(own, account) < rounding + 1e-6


def test_past_the_end_oxidation_counts_and_life_runs_faster() -> None:
    params = fill_params(
        max_gap_s=FOREVER_S,
        reference_c=80.0,
        activation_energy_j_mol=77_000.0,
        reference_life_s=2500.0 * HOUR_S,
        antioxidant_at_end=0.25,
        oxidation_factor=4.0,
    )
    own, account = parts(params, run(params, steps([(3000.0, 80.0)])))
    assert antioxidant_left(own, account) == pytest.approx(0.25**1.2, rel=1e-6)
    assert oxidation(own, account) == pytest.approx(0.2, rel=1e-5)
    assert account.life_used == pytest.approx(1.0 + 4.0 * 0.2, rel=1e-5)
