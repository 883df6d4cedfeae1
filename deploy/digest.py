"""The digest of a morning: alarms, services ahead, and who was not heard from; pure, from what was read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from alerts.digest import Digest, counted, passages, shortened
from alerts.page import Report, Table, report_page
from alerts.report import ReportText
from alerts.report_form import text
from alerts.sheet import Passage
from alerts.teller import Teller
from models.due import Due
from review.fleet_look import TruckNow
from review.standing import due_interval

HEAD = "Daily digest"
_DAY_MS = 86_400_000
_SHORT = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What counts as soon, and as long unheard [ms]."""

    services_ms: int = 30 * _DAY_MS
    unheard_ms: int = 2 * _DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Morning:
    """All that a digest is made from, at ``now_ms`` [Unix ms]."""

    now_ms: int
    alarms: Digest
    trucks: Sequence[TruckNow]
    limits: Limits


def report(found: Morning, teller: Teller) -> Report:
    """Lay the digest out for one reader."""
    due, unheard = _due(found), _unheard(found)
    parts: list[Passage | Table] = [*passages(found.alarms, teller)]
    if due:
        parts.append(
            services(due, teller, f"Services within {_days(found.limits.services_ms)}")
        )
    if unheard:
        heading = f"Not heard from for {_days(found.limits.unheard_ms)} or more"
        points = shortened(_silent(each, teller) for each in unheard)
        parts.append(Passage(heading=heading, points=points))
    said = counted(found.alarms)
    if due:
        said.append("1 service ahead" if len(due) == 1 else f"{len(due)} services ahead")
    if unheard:
        said.append(f"{len(unheard)} not heard from")
    held = len(found.alarms.holds) + len(found.alarms.chattering)
    if held and not said:
        said.append("nothing stands, some is held back")
    return Report(
        head=HEAD,
        title=teller.units.day(found.now_ms),
        lead=f"{'; '.join(said)}." if said else nothing(found),
        parts=tuple(parts),
    )


def has_news(found: Morning, teller: Teller) -> bool:
    """Tell whether there is anything to say."""
    return bool(report(found, teller).parts)


def nothing(found: Morning) -> str:
    """Say that there is nothing to say, and of what."""
    return (
        f"All quiet: no alarm stands, no service is due within {_days(found.limits.services_ms)}, "
        "and every truck was heard from."
    )


def report_text(name: str, made: Report) -> ReportText:
    """Write a report as it is sent; ``name`` tells it from all others."""
    subject = f"{made.head}, {made.title}: {made.lead}"
    return ReportText(
        name=name,
        subject=_cut(subject, 120),
        short=_cut(subject, _SHORT),
        body=text(made),
        page=report_page(made),
    )


def services(trucks: Sequence[TruckNow], teller: Teller, caption: str) -> Table:
    """List services, the first one first."""
    rows = tuple(
        (
            teller.who(each.name),
            _date(each.due, teller),
            due_interval(each.due, teller.units) or "known",
            "" if each.account is None else f"{each.account.life_used:.0%}",
        )
        for each in trucks
        if each.due is not None
    )
    heads = ("Truck", "Due", "8 in 10", "Life used")
    return Table(caption=caption, heads=heads, rows=rows, numbers=frozenset({3}))


def soonest(trucks: Sequence[TruckNow], before_ms: float) -> list[TruckNow]:
    """Give the trucks with a service due before a time [Unix ms], the first one first."""
    dated = [
        (each.due.median_ms, each)
        for each in trucks
        if each.due is not None and each.due.median_ms is not None
    ]
    dated.sort(key=lambda pair: (pair[0], pair[1].name))
    return [each for median_ms, each in dated if median_ms <= before_ms]


def _due(found: Morning) -> list[TruckNow]:
    return soonest(found.trucks, found.now_ms + found.limits.services_ms)


def _unheard(found: Morning) -> list[TruckNow]:
    """Give the trucks that are silent, the longest first."""
    silent = [
        each
        for each in found.trucks
        if each.standing == "never heard"
        or (each.last_ms is not None and found.now_ms - each.last_ms >= found.limits.unheard_ms)
    ]
    return sorted(silent, key=lambda each: (each.last_ms or -math.inf, each.name))


def _silent(truck: TruckNow, teller: Teller) -> str:
    if truck.last_ms is None:
        return f"{teller.who(truck.name)}: never"
    return f"{teller.who(truck.name)}: since {teller.units.day(truck.last_ms)}"


def _date(due: Due, teller: Teller) -> str:
    if due.median_ms is None:
        return "none within sight"
    since = "since " if due.overdue else ""
    return f"{since}{teller.units.day(due.median_ms)}, by {due.reason}"


def _days(span_ms: int) -> str:
    days = span_ms / _DAY_MS
    return "1 day" if days == 1 else f"{days:g} days"


def _cut(sentence: str, length: int) -> str:
    """Keep a line to a length, never half a word."""
    line = " ".join(sentence.split())
    if len(line) <= length:
        return line
    return f"{line[: length - 3].rsplit(' ', 1)[0]} ..."
