"""What one, two and three pan drops would do now, on a terminal."""

from __future__ import annotations

from deploy.database import read_only
from deploy.desk import Desk
from deploy.printing import caution, say, show, table
from models.mixture import MOSTLY_NEW, settled_antioxidant
from models.words import SHORT_DRIVE
from review.measures import Both
from review.pan_drop import Preview, preview_pan_drops


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
