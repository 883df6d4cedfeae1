"""What of a truck needs somebody, and in which order: pure.

Alarms come first, by priority, and of one priority those that nobody has acknowledged; then what is over
and waits for a look; then what no alarm says: a service that is overdue, silence, a sensor in doubt, a
cause that is suspected. What people have held back on purpose needs nobody, nor does a doubt that is less
than likely: sound trucks have one for weeks, and the truck's own page says it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from alerts.alarm import HELD, State
from alerts.ledger import Alarm
from models.hypotheses import NAMES, SENSOR
from models.transition import Priority
from review.board_row import TruckLive
from review.circuit_standing import LIKELY_FROM

CIRCUIT_KINDS = frozenset(
    {
        "bypass_stuck",
        "overcooled",
        "cooler_starved",
        "coolant_valve_stuck",
        "heat_rejection_low",
        "lockup_slip",
    }
)
"""The alarms that name a cause in the cooling circuit or in the heat made."""

_KNOWN = frozenset({State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED})


class Reason(IntEnum):
    """Why a truck needs somebody, the most urgent first."""

    ALARM = 0
    TO_LOOK_AT = 1
    UNREADABLE = 2
    OVERDUE = 3
    SILENT = 4
    SENSOR = 5
    SUSPECT = 6
    OUT_OF_DATE = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """One reason. ``alarm`` is what it is about, if it is one; ``since_ms`` [Unix ms], None: not known."""

    reason: Reason
    alarm: Alarm | None = None
    since_ms: int | None = None

    @property
    def known(self) -> bool:
        """Whether somebody has acknowledged it."""
        return self.alarm is not None and self.alarm.state in _KNOWN

    @property
    def over(self) -> bool:
        """Whether what it is about is over."""
        return self.alarm is not None and not self.alarm.active


Rank = tuple[int, int, bool, bool, int, str]


def rank(need: Need) -> Rank:
    """Give what needs are sorted by, the most urgent first; of two alike what began first."""
    priority = 0 if need.alarm is None else int(need.alarm.priority)
    since_ms = (1 << 62) if need.since_ms is None else need.since_ms
    name = "" if need.alarm is None else need.alarm.id
    return (int(need.reason), -priority, need.known, need.over, since_ms, name)


def needs_of(truck: TruckLive, now_ms: int, *, all_silent: bool = False) -> tuple[Need, ...]:
    """Give why a truck needs somebody, the most urgent reason first; empty: it needs nobody.

    ``all_silent``: nothing comes from anybody, so that one truck's silence says nothing of it.
    """
    found = [need_of(alarm) for alarm in truck.alarms if alarm.state not in HELD]
    if not any(each.kind is None for each in truck.holds):
        found += _of_state(truck)
        found += _of_service(truck)
        found += [] if all_silent else _of_silence(truck, now_ms)
        found += _of_circuit(truck)
    return tuple(sorted(found, key=rank))


def need_of(alarm: Alarm) -> Need:
    """Write a standing alarm as a need."""
    waits = alarm.state is State.LATCHED_ACKNOWLEDGED
    reason = Reason.TO_LOOK_AT if waits else Reason.ALARM
    return Need(reason=reason, alarm=alarm, since_ms=alarm.onset_ms)


def urgent(need: Need) -> bool:
    """Say whether somebody has to do something now: an alarm that nobody has acknowledged."""
    return need.alarm is not None and not need.known and need.alarm.priority > Priority.LOW


def _of_state(truck: TruckLive) -> list[Need]:
    if truck.trouble:
        return [Need(reason=Reason.UNREADABLE)]
    if truck.standing == "out of date":
        return [Need(reason=Reason.OUT_OF_DATE)]
    return []


def _of_service(truck: TruckLive) -> list[Need]:
    if truck.due is None or not truck.due.overdue or _told(truck, frozenset({"service_due"})):
        return []
    return [Need(reason=Reason.OVERDUE, since_ms=truck.due.median_ms)]


def _of_silence(truck: TruckLive, now_ms: int) -> list[Need]:
    """A truck that stands may be quiet; one that moved may not."""
    if truck.signals is None or truck.last_ms is None or not truck.signals.moving:
        return []
    silent = now_ms - truck.last_ms > truck.silent_after_s * 1000.0
    if not silent or _told(truck, frozenset({"gateway_silent"})):
        return []
    return [Need(reason=Reason.SILENT, since_ms=truck.last_ms)]


def _of_circuit(truck: TruckLive) -> list[Need]:
    found = truck.circuit_standing
    if found is None or not found.judged:
        return []
    doubted = found.causes.get(NAMES[SENSOR], 0.0)
    needs: list[Need] = []
    if doubted > LIKELY_FROM and not _told(truck, frozenset({"sensor_fault"})):
        needs.append(Need(reason=Reason.SENSOR))
    told = _told(truck, CIRCUIT_KINDS)
    if found.fault_probability - doubted > LIKELY_FROM and not told:
        needs.append(Need(reason=Reason.SUSPECT, since_ms=found.suspect_ms))
    return needs


def _told(truck: TruckLive, kinds: frozenset[str]) -> bool:
    """Say whether an alarm stands for it, or people hold it back."""
    standing = {alarm.kind for alarm in truck.alarms}
    held = {each.kind for each in truck.holds if each.kind}
    return bool(kinds & (standing | held))
