"""Partial drains: what is left of the old fluid, and the balance of the mixture, as worked by hand."""

from __future__ import annotations

from typing import NamedTuple

import pytest

from models.kernel import STATE
from models.layout import blank
from models.mixture import (
    antioxidant_left,
    drops_until,
    flush_old_share,
    oxidation,
    pan_drops,
    phi_of,
    settled_antioxidant,
)
from tests.models.entries import count, entry, parts, worn
from tests.models.fills import fill_params
from tests.printed import agrees
from tests.recorded import NOON_MS


class Row(NamedTuple):
    volume_l: float
    total_l: float
    old: tuple[str, ...]  # after one to five drops
    drops: int  # until at least 90 % is new


# Worked from (1 - V/Vt)^n.
ROWS = [
    Row(4.5, 12.0, (".6250", ".3906", ".2441", ".1526", ".0954"), 5),
    Row(4.0, 10.0, (".6000", ".3600", ".2160", ".1296", ".0778"), 5),
    Row(5.0, 12.0, (".5833", ".3403", ".1985", ".1158", ".0675"), 5),
    Row(5.0, 7.5, (".3333", ".1111", ".0370", ".0123", ".0041"), 3),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.volume_l:g}/{row.total_l:g}")
def test_what_is_left_after_pan_drops(row: Row) -> None:
    after = pan_drops(1.0, 0.0, 1.0, row.volume_l, row.total_l, len(row.old))
    for mixture, printed in zip(after, row.old, strict=True):
        assert agrees(mixture.old_share, printed)
        assert agrees(mixture.life_used, printed)
        assert agrees(1.0 - mixture.antioxidant, printed)
        assert agrees(mixture.oxidation, printed)
    assert [mixture.drops for mixture in after] == [1, 2, 3, 4, 5]
    assert drops_until(0.9, row.volume_l, row.total_l) == row.drops


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.volume_l:g}/{row.total_l:g}")
def test_the_account_holds_the_same_balance(row: Row) -> None:
    params = fill_params(fluid_total_l=row.total_l)
    state = worn(params, 0.8)
    own, account = parts(params, state)
    for printed in row.old:
        count(params, state, entry("pan_drop", volume_l=row.volume_l))
        assert agrees(account.life_used / 0.8, printed)
        assert agrees((1.0 - antioxidant_left(own, account)) / (1.0 - 0.25**0.8), printed)


def test_the_trade_says_two_thirds_stay() -> None:
    # A repair shop's page: 4 to 5 quarts of 12 to 13, "still about two thirds oxidised"; worked: 0.64.
    assert agrees(phi_of(4.5, 12.5), "0.64")


def test_a_flush_that_mixes() -> None:
    # exp(-nV/Vt) of a well-mixed vessel.
    assert agrees(flush_old_share(12.0, 12.0), ".3679")
    assert agrees(flush_old_share(24.0, 12.0), ".1353")


def test_worked_state_updates() -> None:
    # Worked: A .40 to .625 of the fluid staying, twice; damage .80; oxidation in proportion, as an acid
    # number's rise of 1.2 falls to 0.75 mg KOH/g.
    params = fill_params(fluid_total_l=12.0)
    state = blank(STATE)
    count(params, state, entry("install", life_used=0.80))
    own, account = parts(params, state)
    account.filling.antioxidant_at_mix = 0.40
    account.filling.oxidation_at_mix = 1.2
    count(params, state, entry("pan_drop", NOON_MS + 1, volume_l=4.5))
    assert agrees(antioxidant_left(own, account), ".625")
    assert agrees(account.life_used, ".50")
    assert agrees(oxidation(own, account), "0.75")
    count(params, state, entry("pan_drop", NOON_MS + 2, volume_l=4.5))
    assert agrees(antioxidant_left(own, account), ".7656")


def test_pan_drops_alone_never_get_back_to_new() -> None:
    # Worked: half the antioxidant outlasts an interval, .625 of the fluid stays at each drop.
    after, before = settled_antioxidant(0.5, 0.625)
    assert agrees(after, ".5455")
    assert agrees(before, ".2727")
    params = fill_params(fluid_total_l=12.0, antioxidant_at_end=0.25)
    state = worn(params, 0.0)
    own, account = parts(params, state)
    for service in range(1, 40):
        account.heat.equivalent_s += 0.5 * own.reference_life_s  # .25 ** .5 is a half
        if service == 39:
            assert agrees(antioxidant_left(own, account), ".2727")
        count(params, state, entry("pan_drop", NOON_MS + service, volume_l=4.5))
    assert agrees(antioxidant_left(own, account), ".5455")
