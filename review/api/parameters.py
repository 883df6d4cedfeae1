"""What operations are asked with: names, spans of time, how much at once."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Header, Path, Query

from review.api.cursor import FORMAT
from review.api.instant import At, unix_ms
from review.api.refusing import Refused, Wrong

TRUCK_NAME = r"^[A-Za-z0-9._-]{1,64}$"
"""As a topic can carry it (``ingest.wire``)."""

MOST_ID = 2**53 - 1
"""Largest whole number that every JSON reader keeps exactly (RFC 8259, section 6)."""

LONGEST_MS = 20 * 366 * 86_400_000
"""Longest span that can be asked for [ms]."""

TruckName = Annotated[
    str,
    Path(
        pattern=TRUCK_NAME, description="The truck's name, as in its topic.", examples=["NF-03"]
    ),
]
OnlyTruck = Annotated[
    str | None,
    Query(pattern=TRUCK_NAME, description="Only this truck.", examples=["NF-03"]),
]
Number = Annotated[int, Path(ge=1, le=MOST_ID, description="Its number.", examples=[1])]
AlarmId = Annotated[
    str,
    Path(
        pattern=r"^[A-Za-z0-9]{1,64}$",
        description="The alarm's id: it stays though later data move its onset.",
    ),
]
Limit = Annotated[
    int, Query(ge=1, le=500, description="How many to give at most.", examples=[50])
]
After = Annotated[
    str | None,
    Query(
        max_length=200,
        description="Where to go on: `next` of the answer before, unchanged. Leave it out to begin.",
        json_schema_extra={"format": FORMAT},
    ),
]
Since = Annotated[
    At | None,
    Query(description="From this time on; RFC 3339 with an offset."),
]
Until = Annotated[
    At | None,
    Query(description="Up to this time, not in it; RFC 3339 with an offset."),
]
Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        pattern=r"^[!-~]{1,128}$",
        description=(
            "A name of your own for this request, a UUID say: sent again with the same content it changes "
            "nothing and gives the first answer."
        ),
    ),
]
IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        description="The ETag of the state you have seen: 412 where it has changed since.",
        examples=['"7949d2363b821f4bed81cbd784559c30"'],
    ),
]


def span_ms(
    since: datetime | None, until: datetime | None, *, now_ms: int, usual_ms: int
) -> tuple[int, int]:
    """Give the span that is asked for [Unix ms]; what is left out: up to now, and so long.

    Raises
    ------
    Refused
        It ends before it begins, or is too long.
    """
    until_ms = now_ms if until is None else unix_ms(until)
    since_ms = until_ms - usual_ms if since is None else unix_ms(since)
    if not since_ms < until_ms <= since_ms + LONGEST_MS:
        what = "the span is empty or longer than twenty years: `since` lies before `until`"
        raise Refused("no-ground", what, errors=[Wrong(where="query.since", what=what)])
    return since_ms, until_ms
