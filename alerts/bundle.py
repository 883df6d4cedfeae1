"""Several alarms in one notice: what is said of each, and how they are put together; pure.

Text, page and short form are made from this, so that they cannot say different things. Every alarm has
one line, whatever was told of it since the last notice. What stands comes first, the most urgent at
the top: by its kind where the same stands on several trucks (heat, a bad batch of sensors), else by
truck. What is over, and what no longer holds, is listed after.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from alerts import date_words
from alerts.alarm import STANDS, Matter
from alerts.outbox import Entry
from alerts.phrases import HEADS, number_of, plain
from alerts.sending import Told
from models.transition import Priority
from models.units import Units
from models.words import Words

ONE_CAUSE = 3
"""Trucks with the same kind of alarm from which on they are listed by it."""

HEAT_C = 35.0
"""Outside air [°C] from which on heat may be what the trucks have in common (ours, no source)."""

_AIR = "ambient_temp_c"
_OVER_TITLES = {
    Matter.NORMAL: "Back to normal",
    Matter.WITHDRAWN: "Withdrawn: later samples show that these were not so",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What is said of one alarm; ``over_ms`` is when it was over [Unix ms], ``air_c`` the outside air."""

    alarm_id: str
    turn: int
    vehicle: str
    kind: str
    matter: Matter
    priority: Priority
    head: str
    code: str
    who: str
    title: str
    brief: str
    seen: str
    do: str
    remark: str
    onset_ms: int
    over_ms: int | None
    air_c: float | None
    driver: tuple[str, ...]
    technician: tuple[str, ...]

    @property
    def stands(self) -> bool:
        """Whether the alarm stands."""
        return self.matter not in _OVER_TITLES


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Lines that belong together; ``note`` and ``do`` hold for all of them, and may be empty."""

    title: str
    by_cause: bool
    note: str = ""
    do: str = ""
    lines: tuple[Line, ...]

    @property
    def stands(self) -> bool:
        """Whether its alarms stand."""
        return self.lines[0].stands


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """All that one notice tells of several alarms, the most urgent section first."""

    lead: str
    sections: tuple[Section, ...]
    driver: tuple[str, ...]
    technician: tuple[str, ...]
    moved_from: tuple[str, ...]

    @property
    def lines(self) -> tuple[Line, ...]:
        """All lines, in order."""
        return tuple(line for section in self.sections for line in section.lines)


def bundle(
    told: Sequence[Told],
    *,
    say: Callable[[Told], Words],
    call: Callable[[str], tuple[str, str]],
    units: Units,
) -> Bundle:
    """Put the tellings of one notice together.

    Parameters
    ----------
    told
        The tellings, oldest first.
    say
        Gives the words of a telling's condition.
    call
        Gives the code of a truck, and what people call it.
    units
        How the reader reads numbers.
    """
    by_alarm: dict[str, list[Told]] = {}
    for one in told:
        by_alarm.setdefault(one.alarm.id, []).append(one)
    lines = [_line(each, say, call, units) for each in by_alarm.values()]
    sections = (*_standing(lines, units), *_over(lines))
    acting = [line for line in lines if line.matter in STANDS]
    moved = dict.fromkeys(one.entry.moved_from for one in told if one.entry.moved_from)
    return Bundle(
        lead=_lead(lines),
        sections=sections,
        driver=tuple(dict.fromkeys(text for line in acting for text in line.driver)),
        technician=tuple(dict.fromkeys(text for line in acting for text in line.technician)),
        moved_from=tuple(moved),
    )


def _line(
    told: Sequence[Told],
    say: Callable[[Told], Words],
    call: Callable[[str], tuple[str, str]],
    units: Units,
) -> Line:
    """Say of an alarm how it stands after all that is told of it here."""
    last = told[-1]
    entry, alarm, said = last.entry, last.alarm, say(last)
    code, name = call(alarm.vehicle)
    first = said.action.partition(". ")[0].removesuffix(".")
    air_c = entry.evidence.get(_AIR)
    return Line(
        alarm_id=alarm.id,
        turn=entry.turn,
        vehicle=alarm.vehicle,
        kind=alarm.kind,
        matter=entry.matter,
        priority=max(one.entry.priority for one in told),
        head=HEADS[entry.matter],
        code=code,
        who=f"{code} ({name})" if name else code,
        title=said.title,
        brief=said.brief or said.title,
        seen=said.observed,
        do=(said.at_once or first) if entry.matter in STANDS else "",
        remark=entry.remark or _dates(entry, units),
        onset_ms=entry.onset_ms,
        over_ms=entry.time_ms if entry.matter is Matter.NORMAL else None,
        air_c=air_c if air_c is not None and isfinite(air_c) else None,
        driver=said.driver,
        technician=said.technician,
    )


def _dates(entry: Entry, units: Units) -> str:
    """Say of a date that moved what it was, and of one nobody follows since when."""
    if entry.matter is Matter.MOVED:
        return date_words.moved_line(entry.evidence, units)
    return date_words.no_data_words(entry.evidence, units)


def _standing(lines: Iterable[Line], units: Units) -> list[Section]:
    standing = [line for line in lines if line.stands]
    trucks: dict[str, set[str]] = {}
    for line in standing:
        trucks.setdefault(line.kind, set()).add(line.vehicle)
    shared = {kind for kind, which in trucks.items() if len(which) >= ONE_CAUSE}
    grouped: dict[tuple[bool, str], list[Line]] = {}
    for line in standing:
        by_cause = line.kind in shared
        key = (by_cause, line.kind if by_cause else line.vehicle)
        grouped.setdefault(key, []).append(line)
    made = [
        _section(by_cause, _ordered(each), units) for (by_cause, _), each in grouped.items()
    ]
    return sorted(made, key=lambda section: (*_rank(section.lines[0]), -len(section.lines)))


def _section(by_cause: bool, lines: tuple[Line, ...], units: Units) -> Section:
    if not by_cause:
        return Section(title=lines[0].who, by_cause=False, lines=lines)
    orders = {line.do for line in lines}
    count = len({line.vehicle for line in lines})
    return Section(
        title=f"{_shared_title(lines)}: {count} trucks",
        by_cause=True,
        note=_air(lines, units),
        do=orders.pop() if len(orders) == 1 else "",
        lines=lines,
    )


def _shared_title(lines: Sequence[Line]) -> str:
    titles = {line.title for line in lines}
    return (
        titles.pop()
        if len(titles) == 1
        else plain(lines[0].kind.replace("_", " ")).capitalize()
    )


def _air(lines: Iterable[Line], units: Units) -> str:
    """Say how warm the outside air is at the trucks, where they measure it."""
    found = [line.air_c for line in lines if line.air_c is not None]
    if not found:
        return ""
    low, high = units.degrees(min(found)), units.degrees(max(found))
    said = f"Outside air at these trucks: {low if low == high else f'{low} to {high}'}."
    return f"{said} Heat may be what they have in common." if min(found) >= HEAT_C else said


def _over(lines: Iterable[Line]) -> list[Section]:
    found: list[Section] = []
    for matter, title in _OVER_TITLES.items():
        over = [line for line in lines if line.matter is matter]
        if over:
            found.append(Section(title=title, by_cause=False, lines=_ordered(over)))
    return found


def _ordered(lines: Iterable[Line]) -> tuple[Line, ...]:
    return tuple(sorted(lines, key=_rank))


def _rank(line: Line) -> tuple[int, int, str]:
    return -line.priority, line.onset_ms, line.alarm_id


def _lead(lines: Sequence[Line]) -> str:
    """Count the alarms and trucks: those that stand, and those that are over."""
    standing = [line for line in lines if line.stands]
    trucks = len({line.vehicle for line in standing or lines})
    over = len(lines) - len(standing)
    if not standing:
        return f"{number_of(over, 'alarm')} over on {number_of(trucks, 'truck')}"
    said = f"{number_of(len(standing), 'alarm')} on {number_of(trucks, 'truck')}"
    return f"{said}, {over} over" if over else said
