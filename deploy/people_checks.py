"""What lies between the keys of a people file: names that must be there, and rules that can be reached."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Any

from alerts.people import Way
from review.problems import Problem, nearest

KEY = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)
"""What a person or a rota may be called in the file: it stands in the name of a destination."""

Channels = Mapping[str, Callable[[str], str | None]]


def way_of(text: str, channels: Collection[str]) -> Way | None:
    """Read a way, "smtp:ines@northfold.example"; None where no channel stands before the address."""
    for name in sorted(channels, key=len, reverse=True):
        if text.startswith(f"{name}:"):
            return Way(channel=name, address=text.removeprefix(f"{name}:").strip())
    return None


def cross_checks(
    table: Mapping[str, Any],
    prefix: str,
    *,
    channels: Channels,
    kinds: Collection[str],
    groups: Mapping[str, frozenset[str]],
) -> Iterator[Problem]:
    """Check the raw tables, whatever else is wrong with them."""
    people, rotas = _tables(table, "people"), _tables(table, "rota")
    if not people and isinstance(table.get("people", {}), Mapping):
        yield Problem(
            path=f"{prefix}people", what="names nobody", mend="add [people.NAME] with ways"
        )
    yield from _keys(people, rotas, prefix)
    for key, row in people.items():
        yield from _ways(_texts(row, "ways"), f"{prefix}people.{key}.ways", channels)
    for key, row in rotas.items():
        yield from _members(row, f"{prefix}rota.{key}", people)
    known = {*people, *rotas}
    for path, row in _rules(table, prefix):
        yield from _told(row, path, known)
        yield from _reachable(row, path, kinds, groups)


def _keys(
    people: Mapping[str, Any], rotas: Mapping[str, Any], prefix: str
) -> Iterator[Problem]:
    for where, names in (("people", people), ("rota", rotas)):
        for key in names:
            if KEY.fullmatch(key) is None:
                mend = "use 1 to 32 of letters, digits, '_', '-'; a name with blanks goes into name"
                yield Problem(path=f"{prefix}{where}.{key}", what="is no short name", mend=mend)
    for key in sorted(set(people) & set(rotas)):
        what = "is also the name of a person"
        yield Problem(path=f"{prefix}rota.{key}", what=what, mend="give one of them another")


def _ways(ways: list[str], path: str, channels: Channels) -> Iterator[Problem]:
    seen: set[str] = set()
    for nth, text in enumerate(ways):
        way = way_of(text, channels)
        if way is None:
            yield Problem(
                path=f"{path}.{nth}", what=_no_channel(text), mend=_instead(channels, text)
            )
        elif way.channel in seen:
            what = f"{way.channel} stands there twice"
            mend = "give each channel one address; two mail boxes are two people"
            yield Problem(path=f"{path}.{nth}", what=what, mend=mend)
        elif wrong := channels[way.channel](way.address):
            what, _, mend = wrong.partition("; ")
            yield Problem(path=f"{path}.{nth}", what=what, mend=mend or "mend the address")
        if way is not None:
            seen.add(way.channel)


def _no_channel(text: str) -> str:
    return f"{text[:80]!r} begins with no channel that leads to people"


def _instead(channels: Channels, text: str) -> str:
    if not channels:
        return "set one up in the settings, such as [alerts.smtp]"
    return f"write CHANNEL:ADDRESS; {nearest(text.rpartition(':')[0], channels, 'channel')}"


def _members(row: object, path: str, people: Mapping[str, Any]) -> Iterator[Problem]:
    for nth, name in enumerate(_texts(row, "turn")):
        if name not in people:
            yield _nobody(f"{path}.turn.{nth}", name, people)
    for week, name in _tables(row, "swaps").items():
        if isinstance(name, str) and name not in people:
            yield _nobody(f"{path}.swaps.{week}", name, people)


def _nobody(path: str, name: str, known: Iterable[str]) -> Problem:
    return Problem(
        path=path, what=f"nobody is named {name!r}", mend=nearest(name, known, "name")
    )


def _rules(table: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    rules = table.get("telling", [])
    for nth, row in enumerate(rules if isinstance(rules, list) else []):
        if isinstance(row, Mapping):
            yield f"{prefix}telling.{nth}", row
    if isinstance(table.get("fallback"), Mapping):
        yield f"{prefix}fallback", table["fallback"]


def _told(row: Mapping[str, Any], path: str, known: set[str]) -> Iterator[Problem]:
    for nth, name in enumerate(_texts(row, "tell")):
        if name not in known:
            yield _nobody(f"{path}.tell.{nth}", name, known)
    steps = row.get("then", [])
    before_min = 0.0
    for place, step in enumerate(steps if isinstance(steps, list) else []):
        for nth, name in enumerate(_texts(step, "tell")):
            if name not in known:
                yield _nobody(f"{path}.then.{place}.tell.{nth}", name, known)
        after_min = step.get("after_min") if isinstance(step, Mapping) else None
        if isinstance(after_min, int | float):
            if after_min <= before_min:
                what = f"is {after_min:g}, not after the step before ({before_min:g})"
                mend = "minutes count from the first telling: let them rise"
                yield Problem(path=f"{path}.then.{place}.after_min", what=what, mend=mend)
            before_min = after_min


def _reachable(
    row: Mapping[str, Any],
    path: str,
    kinds: Collection[str],
    groups: Mapping[str, frozenset[str]],
) -> Iterator[Problem]:
    """Check that a rule is about something there is: else it would silently do nothing."""
    for nth, kind in enumerate(_texts(row, "kinds")):
        if kind not in kinds:
            what = f"no alarm is of the kind {kind!r}"
            yield Problem(
                path=f"{path}.kinds.{nth}", what=what, mend=nearest(kind, kinds, "kind")
            )
    known = frozenset[str]().union(*groups.values())
    for nth, group in enumerate(_texts(row, "groups")):
        if group not in known:
            mend = (
                f"add it to groups of a truck, or correct it: {nearest(group, known, 'group')}"
            )
            if not known:
                mend = "add it to groups of a truck in the fleet file"
            what = f"no truck of the fleet file is in {group!r}"
            yield Problem(path=f"{path}.groups.{nth}", what=what, mend=mend)


def _tables(table: object, name: str) -> Mapping[str, Any]:
    found = table.get(name, {}) if isinstance(table, Mapping) else {}
    return found if isinstance(found, Mapping) else {}


def _texts(row: object, name: str) -> list[str]:
    found = row.get(name, []) if isinstance(row, Mapping) else []
    return [each for each in found if isinstance(each, str)] if isinstance(found, list) else []
