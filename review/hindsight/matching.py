"""Which alarms are the same matter: of one truck and kind, and overlapping in time. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from alerts.episode import Episode
from alerts.ledger import Alarm

FOREVER_MS = 1 << 62


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """What belongs together: found with what holds now, found with what would be different, raised then."""

    kind: str
    as_is: tuple[Episode, ...] = ()
    other: tuple[Episode, ...] = ()
    raised: tuple[Alarm, ...] = ()

    @property
    def first_ms(self) -> int:
        """When the first of all was raised [Unix ms]."""
        runs = [each.raised_ms for each in (*self.as_is, *self.other)]
        return min([*runs, *(each.raised_ms for each in self.raised)])

    @property
    def last_ms(self) -> int | None:
        """When the last of all was over [Unix ms]; None: it stands."""
        ends = [each.cleared_ms for each in (*self.as_is, *self.other)]
        ends += [each.cleared_ms for each in self.raised]
        known = [each for each in ends if each is not None]
        return max(known) if len(known) == len(ends) else None

    @property
    def earlier_ms(self) -> int | None:
        """How much sooner it would have been told [ms], later where negative; None: one of them is empty."""
        if not self.as_is or not self.other:
            return None
        return self.as_is[0].raised_ms - self.other[0].raised_ms


_Row = tuple[str, int, int, int, Episode | Alarm]


def matters(
    as_is: Sequence[Episode], other: Sequence[Episode], raised: Sequence[Alarm]
) -> list[Matter]:
    """Put together what overlaps, in order of time."""
    every: list[_Row] = [
        *((each.kind, each.raised_ms, _end_ms(each), 0, each) for each in as_is),
        *((each.kind, each.raised_ms, _end_ms(each), 1, each) for each in other),
        *((each.kind, each.raised_ms, _end_ms(each), 2, each) for each in raised),
    ]
    every.sort(key=lambda row: row[:4])
    found: list[Matter] = []
    for kind, rows in groupby(every, key=lambda row: row[0]):
        for group in _overlapping(list(rows)):
            sides: tuple[list[Episode | Alarm], ...] = ([], [], [])
            for _, _, _, side, each in group:
                sides[side].append(each)
            found.append(
                Matter(
                    kind=kind,
                    as_is=tuple(each for each in sides[0] if isinstance(each, Episode)),
                    other=tuple(each for each in sides[1] if isinstance(each, Episode)),
                    raised=tuple(each for each in sides[2] if isinstance(each, Alarm)),
                )
            )
    return sorted(found, key=lambda each: (each.first_ms, each.kind))


def _overlapping(rows: Sequence[_Row]) -> Iterator[list[_Row]]:
    group: list[_Row] = []
    reach_ms = -FOREVER_MS
    for row in rows:
        if group and row[1] > reach_ms:
            yield group
            group = []
            reach_ms = -FOREVER_MS
        group.append(row)
        reach_ms = max(reach_ms, row[2])
    if group:
        yield group


def _end_ms(each: Episode | Alarm) -> int:
    return FOREVER_MS if each.cleared_ms is None else each.cleared_ms
