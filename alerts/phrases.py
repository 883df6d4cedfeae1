"""Phrases that all forms of a notice share: names, moments, how sure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo

from alerts.alarm import Matter
from alerts.own.facts import OURSELVES

MANUAL_FIRST = (
    "This is a computed warning and can be wrong. "
    "The maker's manual and local rules come before it."
)

ESTIMATED = frozenset({"service_due"})
"""Kinds that rest on the account, which is an estimate, whatever their probability."""

HEADS: Mapping[Matter, str] = {
    Matter.ACTIVE: "ALARM",
    Matter.RISE: "NOW",
    Matter.NORMAL: "BACK TO NORMAL, was",
    Matter.WITHDRAWN: "WITHDRAWN, was",
    Matter.MOVED: "NEW DATE",
    Matter.QUIET: "DATE NOT FOLLOWED",
    Matter.REMINDER: "NOBODY HAS ACKNOWLEDGED",
    Matter.CHATTER: "COMES AND GOES",
}

_PLAIN = frozenset(" ._-'()/#+")
_NAME_LENGTH = 64

_ROUNDS_UP = 999.5
"""What is written as a thousand with three figures."""


def moment(time_ms: int, zone: tzinfo) -> str:
    """Write a time for a person: local, with abbreviation and offset (two nights need it)."""
    local = datetime.fromtimestamp(time_ms / 1000, tz=UTC).astimezone(zone)
    offset = local.strftime("%z")
    return f"{local:%Y-%m-%d %H:%M:%S} {local:%Z} (UTC{offset[:3]}:{offset[3:5]})"


def sureness(kind: str, probability: float) -> str:
    """Write how sure something is in a word; what is inferred is never certain."""
    if kind in ESTIMATED:
        return "by account"
    return "measured" if probability >= 1.0 else f"{min(probability, 0.999):.1%}"


def sure(probability: float) -> str:
    """Write how sure something is in a sentence."""
    if probability >= 1.0:
        return "As sure as the sensors: this was measured, not inferred."
    return f"{min(100 * probability, 99.99):.4g} % by the evidence so far."


def sound_heading(vehicle: str) -> str:
    """Head what would have been seen if nothing were wrong."""
    return (
        "As it should be" if vehicle == OURSELVES else "What a healthy truck would have shown"
    )


def number_of(number: int, one: str, many: str = "") -> str:
    """Write a number of things; ``many`` names several of them where an s does not."""
    return f"{number:,} {one if number == 1 else many or f'{one}s'}"


def size_words(size: float | None) -> str:
    """Write a size [byte] in three figures, decimal as disks are sold; None: there is no such thing."""
    if size is None:
        return "none"
    value, unit = float(size), "B"
    for bigger in ("kB", "MB", "GB", "TB"):
        if value < _ROUNDS_UP:
            break
        value, unit = value / 1000, bigger
    return f"{value:.3g} {unit}" if value < _ROUNDS_UP else f"{value:,.0f} {unit}"


def plain(name: str) -> str:
    """Reduce a name to letters, digits, blanks and a few harmless signs."""
    kept = "".join(sign if sign.isalnum() or sign in _PLAIN else " " for sign in name)
    return " ".join(kept.split())[:_NAME_LENGTH].strip()
