"""How a truck stands in a word or two, for a table: pure. That nothing was found is not said to be health."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from alerts.palette import band_of
from models.transition import Priority
from review.attention import Need, Reason
from review.board_row import TruckLive
from review.unseen import QUIET_MS

FRESH_MS = 300_000
"""Age up to which a newest sample tells how it is now [ms]; own choice."""

Band = Literal["", "critical", "high", "medium", "low", "over"]

_WORDS = {
    Reason.TO_LOOK_AT: "look at it",
    Reason.UNREADABLE: "not read",
    Reason.OVERDUE: "service overdue",
    Reason.SILENT: "silent",
    Reason.SENSOR: "sensor in doubt",
    Reason.SUSPECT: "fault possible",
    Reason.OUT_OF_DATE: "account out of date",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckWord:
    """The word, and the band of ``alerts.palette`` that goes with it, empty for none."""

    word: str
    band: str
    driving: bool = False
    unseen: bool = False


def word_of(truck: TruckLive, needs: tuple[Need, ...], *, now_ms: int) -> TruckWord:
    """Say how a truck stands."""
    quiet = truck.last_ms is None or now_ms - truck.last_ms > QUIET_MS
    fresh = truck.last_ms is not None and now_ms - truck.last_ms <= FRESH_MS
    driving = fresh and truck.signals is not None and truck.signals.moving
    if needs:
        word, band = _of_need(needs[0])
    elif truck.holds:
        word, band = "held back", ""
    elif truck.last_ms is None:
        word, band = "never heard", ""
    else:
        word, band = _of_motion(driving=driving, fresh=fresh, quiet=quiet), ""
    return TruckWord(word=word, band=band, driving=driving, unseen=quiet)


def _of_need(need: Need) -> tuple[str, str]:
    if need.alarm is None or need.reason is Reason.TO_LOOK_AT:
        return _WORDS[need.reason], band_of(Priority.LOW, urgent=True)
    if need.over:
        return "over", band_of(need.alarm.priority, urgent=False)
    return need.alarm.priority.name.lower(), band_of(need.alarm.priority, urgent=True)


def _of_motion(*, driving: bool, fresh: bool, quiet: bool) -> str:
    if driving:
        return "driving"
    if fresh:
        return "running or standing"
    return "not heard for a day" if quiet else "parked or off"
