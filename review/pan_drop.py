"""What one, two and three pan drops would do now, before anybody does one."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from models.mixture import (
    MOSTLY_NEW,
    Mixture,
    antioxidant_left,
    drops_until,
    oxidation,
    pan_drops,
)
from models.service import PAN_DROP_SHARE
from review.entry_rules import CannotEnter
from review.problems import Mistake
from review.reading import Reader, no_account

DROPS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What pan drops would do; ``mixtures[0]`` is the fluid as it is. ``mostly_new`` drops make a fill."""

    volume_l: float
    total_l: float
    measured: bool
    mixtures: tuple[Mixture, ...]
    mostly_new: int


def preview_pan_drops(
    conn: sqlite3.Connection,
    reader: Reader,
    truck: str,
    *,
    volume_l: float | None = None,
    drops: int = DROPS,
) -> Preview:
    """Give what one, two, ... pan drops would do to a truck's fluid now; nothing is written.

    Parameters
    ----------
    conn, reader
        The store, and how to read it.
    truck
        Its name.
    volume_l
        What one drop replaces [L]; None: the usual share.
    drops
        How many.

    Raises
    ------
    CannotEnter
        The volume is more than the gearbox holds, or none.
    UnknownTruck, Mistake
        Nobody knows the truck; it has no account.
    """
    stored = reader.truck(conn, truck)
    if stored.state is None:
        raise Mistake(no_account(truck, stored.standing))
    total_l = stored.vehicle.fluid_total_l
    volume = PAN_DROP_SHARE * total_l if volume_l is None else volume_l
    if not 0.0 < volume <= total_l:
        raise CannotEnter(
            f"{volume:.1f} L is no pan drop of the {total_l:.1f} L that {truck} holds in all; "
            "correct the volume, or the truck's fluid_total_l"
        )
    params, account = stored.params.account, stored.account
    now = Mixture(
        drops=0,
        old_share=1.0,
        life_used=float(account.life_used),
        antioxidant=float(antioxidant_left(params, account)),
        oxidation=float(oxidation(params, account)),
    )
    after = pan_drops(now.life_used, now.antioxidant, now.oxidation, volume, total_l, drops)
    return Preview(
        volume_l=volume,
        total_l=total_l,
        measured=volume_l is not None,
        mixtures=(now, *after),
        mostly_new=drops_until(MOSTLY_NEW, volume, total_l),
    )
