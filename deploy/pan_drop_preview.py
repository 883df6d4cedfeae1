"""What one, two and three pan drops would do now, shown before anybody does one."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from deploy.database import read_only
from deploy.desk import Desk
from deploy.entry_rules import CannotEnter
from deploy.measures import Both
from deploy.printing import caution, say, show, table
from deploy.problems import Mistake
from deploy.reading import Reader, no_account
from models.mixture import (
    MOSTLY_NEW,
    Mixture,
    antioxidant_left,
    drops_until,
    oxidation,
    pan_drops,
    settled_antioxidant,
)
from models.service import PAN_DROP_SHARE
from models.words import SHORT_DRIVE

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


def preview(desk: Desk, truck: str, volume_l: float | None) -> None:
    """Print what one, two and three pan drops would do now."""
    with read_only(desk.store) as conn:
        found = preview_pan_drops(conn, desk.reader, truck, volume_l=volume_l)
    units = Both(desk.units)
    assumed = "" if found.measured else ", the usual share; say --volume when it is known"
    say(
        f"{truck}: pan drops of {units.amount(found.volume_l)} out of "
        f"{units.amount(found.total_l)} in all{assumed}."
    )
    numbers = ("Old fluid", "Life used", "Antioxidant left")
    made = table("Pan drops", *numbers, right=numbers)
    for mixture in found.mixtures:
        made.add_row(
            str(mixture.drops) if mixture.drops else "as it is",
            f"{mixture.old_share:.1%}",
            f"{mixture.life_used:.1%}",
            f"{mixture.antioxidant:.1%}",
        )
    show(made)
    say(
        f"{SHORT_DRIVE} It takes {found.mostly_new} until {MOSTLY_NEW:.0%} of the fluid is new. "
        f"{_for_ever(found)} Nothing was entered."
    )
    caution()


def _for_ever(found: Preview) -> str:
    """Say what one such drop at each service comes to: never to new."""
    now, once = found.mixtures[:2]
    after, before = settled_antioxidant(now.antioxidant, once.old_share)
    return (
        f"One at each service, if an interval takes as much as this fluid has lost, would keep it "
        f"between {before:.0%} and {after:.0%} of new fluid's antioxidant, never at new."
    )
