"""Mixing conserves: what was spent is in the gearbox or was drained, whatever was done in which order."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.kernel import advance
from models.mixture import (
    antioxidant_left,
    drops_until,
    flush_old_share,
    mix,
    oxidation,
    pan_drops,
)
from tests.models.entries import count, entry, parts, worn
from tests.models.fills import FOREVER_S, fill_params, run, steps
from tests.recorded import NOON_MS, records

PARAMS = fill_params(fluid_total_l=12.0)
TOTAL_L = 12.0

lives = st.floats(0.0, 4.0)
shares = st.floats(0.0, 1.0)
volumes = st.floats(0.0, TOTAL_L)


def used(
    life: float, brought: float, unseen_km: float, scale_ln: float
) -> tuple[Any, Any, NDArray[Any]]:
    """A fluid part of whose life was brought along, part seen, part soaked, part unseen."""
    state = worn(PARAMS, life, carried=min(brought, life))
    own, account = parts(PARAMS, state)
    account.filling.scale_ln = scale_ln
    account.soak.equivalent_s = 0.3 * account.heat.equivalent_s
    account.travel.fluid_unseen_km = unseen_km
    mix(own, account, 1.0)  # works out the life used
    return own, account, state


def chemistry(own: Any, account: Any) -> tuple[float, float, float]:
    return float(account.life_used), antioxidant_left(own, account), oxidation(own, account)


@settings(max_examples=200, deadline=None)
@given(lives, shares, st.floats(0.0, 1e4), st.floats(-1.5, 1.5), volumes)
def test_what_was_spent_stays_or_is_drained(
    life: float, brought: float, unseen_km: float, scale_ln: float, volume_l: float
) -> None:
    own, account, state = used(life, brought, unseen_km, scale_ln)
    before = chemistry(own, account)
    count(PARAMS, state, entry("top_up", volume_l=volume_l))
    after = chemistry(own, account)
    for there, left in zip((before[0], before[2]), (after[0], after[2]), strict=True):
        assert left * TOTAL_L + there * volume_l == pytest.approx(
            there * TOTAL_L, rel=1e-12, abs=1e-12
        )
    # The antioxidant: what was there and what came in is what is there now and what was drained.
    assert after[1] * TOTAL_L + before[1] * volume_l == pytest.approx(
        before[1] * TOTAL_L + volume_l, rel=1e-12
    )


@settings(max_examples=100, deadline=None)
@given(lives, shares, st.floats(-1.5, 1.5))
def test_nothing_replaced_changes_nothing_and_all_replaced_is_new(
    life: float, brought: float, scale_ln: float
) -> None:
    own, account, _ = used(life, brought, 100.0, scale_ln)
    before = chemistry(own, account)
    mix(own, account, 1.0)
    assert chemistry(own, account) == pytest.approx(before, rel=1e-12, abs=1e-15)
    mix(own, account, 0.0)
    assert chemistry(own, account) == (0.0, 1.0, 0.0)


@settings(max_examples=100, deadline=None)
@given(lives, shares, st.lists(shares, min_size=2, max_size=5), st.randoms())
def test_only_the_product_of_drops_counts(
    life: float, brought: float, phis: list[float], random: Any
) -> None:
    whole = 1.0
    for phi in phis:
        whole *= phi
    shuffled = list(phis)
    random.shuffle(shuffled)
    found = []
    for way in (phis, shuffled, [whole]):
        own, account, _ = used(life, brought, 50.0, 0.2)
        for phi in way:
            mix(own, account, phi)
        found.append(chemistry(own, account))
    assert found[1] == pytest.approx(found[0], rel=1e-11, abs=1e-13)
    assert found[2] == pytest.approx(found[0], rel=1e-11, abs=1e-13)


@settings(max_examples=50, deadline=None)
@given(lives, shares)
def test_mixing_thins_the_histogram_as_it_thins_the_sum(life: float, phi: float) -> None:
    own, account, _ = used(life, 0.0, 0.0, 0.0)
    seconds, bins = float(account.heat.equivalent_s), account.heat.bins_s.copy()
    distance, kinetic = float(account.travel.distance_km), float(account.heat.kinetic_s)
    mix(own, account, phi)
    assert account.heat.bins_s.sum() * seconds == pytest.approx(
        bins.sum() * float(account.heat.equivalent_s), rel=1e-12
    )
    assert account.travel.distance_km == distance
    assert account.heat.kinetic_s == kinetic


@pytest.mark.parametrize("celsius", [100.0, 135.0])
def test_one_two_three_pan_drops_through_the_kernel(celsius: float) -> None:
    # 200 h: a quarter of the life at 100 °C, more than all of it at 135 °C.
    params = fill_params(max_gap_s=FOREVER_S, fluid_total_l=TOTAL_L)
    state = run(params, steps([(200.0, celsius)]))
    own, account = parts(params, state)
    expected = pan_drops(*chemistry(own, account), 4.5, TOTAL_L, 3)
    assert (account.life_used > 1.0) == (celsius == 135.0)
    for balance in expected:
        now_ms = NOON_MS + 200 * 3_600_000 + balance.drops
        count(params, state, entry("pan_drop", now_ms, volume_l=4.5))
        assert chemistry(own, account) == pytest.approx(
            (balance.life_used, balance.antioxidant, balance.oxidation), rel=1e-12, abs=1e-12
        )


def test_the_account_goes_on_from_the_mixture() -> None:
    params = fill_params(max_gap_s=FOREVER_S, fluid_total_l=TOTAL_L)
    whole = steps([(100.0, 100.0), (100.0, 100.0)])
    state = run(params, whole[:2])
    _, account = parts(params, state)
    first = float(account.life_used)
    count(params, state, entry("pan_drop", NOON_MS + 100 * 3_600_000, volume_l=4.5))
    advance(params, state, 0, records(whole[2:]))
    assert account.life_used == pytest.approx(0.625 * first + first, rel=1e-7)
    assert account.filling.pan_drops == 1


def test_no_number_of_drops_makes_all_new() -> None:
    with pytest.raises(ValueError, match="100%"):
        drops_until(1.0, 4.5, 12.0)
    assert drops_until(0.0, 4.5, 12.0) == 0
    assert drops_until(0.9, 14.0, 12.0) == 1


@pytest.mark.parametrize(("volume_l", "total_l"), [(0.0, 12.0), (-1.0, 12.0), (4.5, 0.0)])
def test_a_drop_of_nothing_is_refused(volume_l: float, total_l: float) -> None:
    for refuse in (
        lambda: pan_drops(0.5, 0.5, 0.0, volume_l, total_l, 3),
        lambda: drops_until(0.9, volume_l, total_l),
        lambda: flush_old_share(volume_l, total_l),
    ):
        with pytest.raises(ValueError, match="no pan drop"):
            refuse()
