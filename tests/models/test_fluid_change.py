"""Another kind of fluid into what is left of the old: what the old had spent mixes by volume."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.mixture import antioxidant_left, oxidation
from tests.models.entries import count, entry, parts, worn
from tests.models.fills import fill_params

KINDS = st.builds(
    lambda end, factor: fill_params(antioxidant_at_end=end, oxidation_factor=factor),
    st.sampled_from([0.05, 0.25, 0.5, 0.9]),
    st.sampled_from([1.0, 4.0, 20.0]),
)
LIVES = st.floats(0.01, 8.0)
VOLUMES_L = st.floats(0.5, 12.0)
"""Of 12 L in all."""


@settings(deadline=None)
@given(KINDS, KINDS, LIVES, VOLUMES_L)
def test_life_antioxidant_and_oxidation_mix_by_volume(
    old: NDArray[Any], new: NDArray[Any], life: float, volume_l: float
) -> None:
    state = worn(old, life)
    params, account = parts(old, state)
    life_used = float(account.life_used)
    left, oxidised = antioxidant_left(params, account), oxidation(params, account)
    count(new, state, entry("fluid_change", volume_l=volume_l), before=old)
    params, account = parts(new, state)
    phi = 1.0 - volume_l / 12.0
    assert account.life_used == pytest.approx(phi * life_used, rel=1e-9, abs=1e-12)
    assert antioxidant_left(params, account) == pytest.approx(phi * left + 1.0 - phi, rel=1e-9)
    assert oxidation(params, account) == pytest.approx(phi * oxidised, rel=1e-9, abs=1e-12)


@settings(deadline=None)
@given(KINDS, KINDS, LIVES, VOLUMES_L, st.floats(0.0, 8.0))
def test_no_sample_of_the_mixture_makes_antioxidant_less_than_nothing(
    old: NDArray[Any], new: NDArray[Any], life: float, volume_l: float, found: float
) -> None:
    state = worn(old, life)
    count(new, state, entry("fluid_change", volume_l=volume_l), before=old)
    count(new, state, entry("sample", oxidation=found, lab_sd=0.02))
    assert 0.0 <= antioxidant_left(*parts(new, state)) <= 1.0
    assert oxidation(*parts(new, state)) >= 0.0


def test_the_rest_of_a_kind_that_kept_less_when_due_is_read_with_care() -> None:
    old = fill_params(antioxidant_at_end=0.05, oxidation_factor=20.0)
    new = fill_params(antioxidant_at_end=0.9, oxidation_factor=4.0)
    state = worn(old, 0.5)
    count(new, state, entry("fluid_change", volume_l=6.0), before=old)
    count(new, state, entry("sample", oxidation=8.0, lab_sd=0.02))
    assert antioxidant_left(*parts(new, state)) == 0.0
