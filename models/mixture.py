r"""What new fluid does to the account: the balance of a mixture, and what pan drops would do.

Of a fluid of which the share :math:`\varphi = 1 - V/V_t` stays, with new fluid to make up the rest,

.. math:: u^+ = \varphi u, \quad A^+ = \varphi A + (1-\varphi), \quad X^+ = \varphi X

for life used, antioxidant left and oxidation: all three mix by volume, as acid number and infrared
oxidation do (viscosity and the oxygen bomb do not). The old and the new are taken to be fully mixed, as
they are after a short drive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.account import Account, AccountParams, equivalent_s, raw_life, stretch, unstretch
from models.compiled import compiled
from models.histogram import BINS

MOSTLY_NEW = 0.9
"""Share of new fluid from which a fill counts as changed [-]. Own choice; check: more asks for more
drops (at 4.5 of 12 L five drops for 0.9, seven for 0.95)."""


@compiled
def phi_of(volume_l: float, total_l: float) -> float:
    """Share of the old fluid that stays [-] when ``volume_l`` of ``total_l`` [L] is replaced."""
    return 1.0 - min(max(volume_l, 0.0), total_l) / total_l


@compiled
def since_mix(params: AccountParams, account: Account) -> float:
    """Raw life [-] spent since the last mixing; what was unseen may have been estimated anew."""
    fill = account.filling
    equivalent = max(0.0, equivalent_s(params, account) - fill.equivalent_at_mix_s)
    return math.exp(fill.scale_ln) * equivalent / params.reference_life_s


@compiled
def antioxidant_left(params: AccountParams, account: Account) -> float:
    r"""Share of the new fluid's antioxidant that is left [-], by the account.

    .. math:: A = A_{mix}\, a^{w}

    with :math:`a` what is left of a fresh fill that is due and :math:`w` the raw life since the
    last mixing.

    Source
    ------
    First-order consumption: Hunter et al., Lubrication Engineering 49(6) (1993) 492 (abstract).
    """
    spent = since_mix(params, account)
    return account.filling.antioxidant_at_mix * float(params.antioxidant_at_end**spent)


@compiled
def oxidation(params: AccountParams, account: Account) -> float:
    """Raw life spent with the antioxidant used up [-]: 0 until then, thinned by mixing since."""
    fill = account.filling
    end = params.antioxidant_at_end
    protected = 0.0
    if fill.antioxidant_at_mix > end:
        protected = 1.0 - math.log(fill.antioxidant_at_mix) / math.log(end)
    return fill.oxidation_at_mix + max(0.0, since_mix(params, account) - protected)


@compiled
def mix(params: AccountParams, account: Account, phi: float) -> None:
    """Thin the fluid: the share ``phi`` [-] of it stays, the rest is new of the same kind.

    ``life_used`` becomes ``phi`` times what it was, beyond 1 too: one factor on all sums that
    belong to the fluid. Time, distance and the kinetic sums go on.
    """
    fill = account.filling
    left = antioxidant_left(params, account)
    fill.oxidation_at_mix = phi * oxidation(params, account)
    fill.antioxidant_at_mix = phi * left + (1.0 - phi)
    raw = raw_life(params, account)
    thin(account, _factor(raw, phi, params.oxidation_factor))
    fill.equivalent_at_mix_s = equivalent_s(params, account)
    account.life_used = stretch(raw_life(params, account), params.oxidation_factor)


@compiled
def _factor(raw: float, phi: float, oxidation_factor: float) -> float:
    """Give the factor [-] on a raw life that makes the life used ``phi`` times as large."""
    if raw <= 1.0:
        return phi
    return unstretch(phi * stretch(raw, oxidation_factor), oxidation_factor) / raw


@compiled
def thin(account: Account, factor: float) -> None:
    """Multiply all sums that belong to the fluid in the gearbox by a factor [-]."""
    account.filling.carried *= factor
    account.heat.equivalent_s *= factor
    account.heat.equivalent_rest *= factor
    account.soak.equivalent_s *= factor
    account.travel.fluid_unseen_km *= factor
    account.travel.fluid_unseen_run_s *= factor
    for row in range(BINS):
        account.heat.bins_s[row] *= factor
        account.heat.offsets_ks[row] *= factor
        account.heat.squares_k2s[row] *= factor
        account.soak.bins_s[row] *= factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """The fluid after some pan drops: shares and lives [-]."""

    drops: int
    old_share: float
    life_used: float
    antioxidant: float
    oxidation: float


def pan_drops(
    life_used: float,
    antioxidant: float,
    oxidation: float,
    volume_l: float,
    total_l: float,
    n: int,
) -> list[Mixture]:
    """What one, two, ... ``n`` pan drops now would do, with a short drive after each.

    Parameters
    ----------
    life_used, antioxidant, oxidation
        Of the fluid as it is [-].
    volume_l, total_l
        What one drop replaces, and all that is in the gearbox with converter and cooler [L].
    n
        Number of drops.

    Returns
    -------
    list
        The fluid after each drop.

    Raises
    ------
    ValueError
        Where a volume is not positive.
    """
    phi = _stays(volume_l, total_l)
    return [
        Mixture(
            drops=drops,
            old_share=phi**drops,
            life_used=phi**drops * life_used,
            antioxidant=1.0 - phi**drops * (1.0 - antioxidant),
            oxidation=phi**drops * oxidation,
        )
        for drops in range(1, n + 1)
    ]


def drops_until(new_share: float, volume_l: float, total_l: float) -> int:
    """Give the least number of pan drops after which at least ``new_share`` [-] is new fluid.

    Raises ``ValueError`` where a volume is not positive or the share is not below 1.
    """
    if not 0.0 <= new_share < 1.0:
        raise ValueError(f"no number of pan drops makes {new_share:.0%} of the fluid new")
    phi = _stays(volume_l, total_l)
    old, drops = 1.0, 0
    while old > (1.0 - new_share) * (1.0 + 1e-12):
        old *= phi
        drops += 1
    return drops


def flush_old_share(volume_l: float, total_l: float) -> float:
    r"""Share of old fluid [-] after new was pushed through while the old ran out.

    .. math:: e^{-V/V_t}

    for a gearbox that mixes as it is flushed, which is the worst; if the new pushes the old ahead of it,
    nothing old is left after one filling. Raises ``ValueError`` where a volume is not positive.
    """
    _stays(volume_l, total_l)
    return math.exp(-volume_l / total_l)


def settled_antioxidant(kept: float, phi: float) -> tuple[float, float]:
    r"""Antioxidant [-] just after and just before each service when all intervals are alike.

    .. math:: A = \frac{1-\varphi}{1-\varphi L}

    with ``kept`` (:math:`L`) the share of the antioxidant that outlasts an interval and ``phi`` the share
    of the fluid that stays at each pan drop: pan drops alone never get back to new.
    """
    after = (1.0 - phi) / (1.0 - phi * kept)
    return after, kept * after


def _stays(volume_l: float, total_l: float) -> float:
    if not (volume_l > 0.0 and total_l > 0.0):
        raise ValueError(f"{volume_l:g} of {total_l:g} L is no pan drop")
    return phi_of(volume_l, total_l)
