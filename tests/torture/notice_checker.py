"""What must be true of notices when an experiment is over: what was committed beside what arrived.

It knows the rows of the store and what the far sides kept, and nothing of how the one became the other.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from deploy.database import read_only


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """One message that a far side has taken; ``text`` is all it says, ``facts`` what it names of alarms."""

    destination: str
    id: str
    text: str
    facts: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """One telling as the store has it, oldest first by ``seq``."""

    seq: int
    id: str
    destination: str
    alarm: str
    vehicle: str
    matter: str
    state: str
    sending: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeVerdict:
    """The figures of one experiment.

    ``repeats``: taken again under the same id, as at-least-once allows. All others must be none:
    ``missing`` tellings that never arrived; ``waiting`` tellings that the store still has to send;
    ``twice`` that arrived under two ids; ``foreign`` ids that nobody committed; ``altered`` repeats that
    say something else; ``disordered`` tellings of one alarm that arrived before an earlier one;
    ``unnamed`` alarms that their message does not name.
    """

    tellings: int
    messages: int
    repeats: int
    missing: int
    waiting: int
    twice: int
    foreign: int
    altered: int
    disordered: int
    unnamed: int
    problems: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing was lost, doubled, changed or told in the wrong order."""
        return not self.problems


def committed(path: Path) -> list[Committed]:
    """Read what a store has to tell, but for what was cancelled before anybody was told."""
    with read_only(path) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        return tellings(conn)


def tellings(conn: sqlite3.Connection) -> list[Committed]:
    """Read the tellings."""
    rows = conn.execute(
        "SELECT o.seq, o.id, o.destination, o.alarm_id, a.vehicle, o.matter, o.state, o.sending_id "
        "FROM outbox AS o JOIN alarm AS a ON a.id = o.alarm_id WHERE o.state <> 'cancelled' "
        "ORDER BY o.seq"
    ).fetchall()
    return [
        Committed(
            seq=row[0],
            id=row[1],
            destination=row[2],
            alarm=row[3],
            vehicle=row[4],
            matter=row[5],
            state=row[6],
            sending=row[7],
        )
        for row in rows
    ]


def compare(
    told: Sequence[Committed], arrived: Sequence[Arrived], places: Iterable[str]
) -> NoticeVerdict:
    """Lay what was committed for ``places`` beside what arrived there, in the order it arrived."""
    watched = frozenset(places)
    told = [each for each in told if each.destination in watched]
    first: dict[tuple[str, str], int] = {}
    for place, each in enumerate(arrived):
        first.setdefault((each.destination, each.id), place)
    known = {(each.destination, each.sending) for each in told}
    found = {
        "missing": [_name(each) for each in told if _key(each) not in first],
        "waiting": [_name(each) for each in told if each.state != "delivered"],
        "twice": _twice(arrived),
        "foreign": [
            f"{each.id} at {each.destination}" for each in arrived if _of(each) not in known
        ],
        "altered": _altered(arrived),
        "disordered": _disordered(told, first),
        "unnamed": _unnamed(told, arrived, first),
    }
    counts = {name: len(problems) for name, problems in found.items()}
    return NoticeVerdict(
        tellings=len(told),
        messages=len(first),
        repeats=len(arrived) - len(first),
        problems=tuple(f"{name}: {one}" for name, all_ in found.items() for one in all_[:5]),
        **counts,
    )


def _key(told: Committed) -> tuple[str, str]:
    return told.destination, told.sending or ""


def _of(arrived: Arrived) -> tuple[str, str]:
    return arrived.destination, arrived.id


def _name(told: Committed) -> str:
    return f"{told.matter} of {told.vehicle} for {told.destination}, {told.state}"


def _twice(arrived: Sequence[Arrived]) -> list[str]:
    """Find what was told under two ids, by what the messages say themselves."""
    ids: dict[tuple[str, tuple[str, str]], set[str]] = defaultdict(set)
    for each in arrived:
        for fact in each.facts:
            ids[each.destination, fact].add(each.id)
    return [f"{fact} at {place}" for (place, fact), names in ids.items() if len(names) > 1]


def _altered(arrived: Sequence[Arrived]) -> list[str]:
    texts: dict[tuple[str, str], set[str]] = defaultdict(set)
    for each in arrived:
        texts[_of(each)].add(each.text)
    return [f"{name} at {place}" for (place, name), said in texts.items() if len(said) > 1]


def _disordered(told: Sequence[Committed], first: dict[tuple[str, str], int]) -> list[str]:
    last: dict[tuple[str, str], int] = {}
    found = []
    for each in told:
        place = first.get(_key(each))
        if place is None:
            continue
        if place < last.get((each.destination, each.alarm), 0):
            found.append(_name(each))
        last[each.destination, each.alarm] = place
    return found


def _unnamed(
    told: Sequence[Committed], arrived: Sequence[Arrived], first: dict[tuple[str, str], int]
) -> list[str]:
    return [
        _name(each)
        for each in told
        if (place := first.get(_key(each))) is not None
        and each.vehicle not in arrived[place].text
    ]
