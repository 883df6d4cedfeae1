"""``heatbook hindsight``: a span of the past with other limits, side by side with what was."""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec
import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import say, show, table
from review.hindsight import words
from review.hindsight.asked import Asked
from review.hindsight.compared import compared
from review.hindsight.for_programs import plain
from review.hindsight.found import Compared, Found
from review.hindsight.other import Other
from review.measures import minute

USUAL_DAYS = 28

Since = Annotated[
    str | None, typer.Option(help="From when: a date or a time. Default: 28 days before.")
]
Until = Annotated[
    str | None,
    typer.Option(help="Up to when: a date (its end) or a time. Default: now."),
]
OneTruck = Annotated[
    str | None, typer.Option("--truck", metavar="TRUCK", help="Only this truck. Default: all.")
]
TooHot = Annotated[
    str | None, typer.Option("--over-temperature", help="Too hot from here on: 112C or 234F.")
]
Critical = Annotated[
    str | None, typer.Option("--critical", help="Critical from here on: 126C or 259F.")
]
Distance = Annotated[
    str | None, typer.Option("--service-distance", help="Service every so far: 24000km.")
]
Days = Annotated[
    float | None, typer.Option("--service-days", help="Service every so long [d].")
]
Life = Annotated[
    str | None, typer.Option("--service-life", help="Service at this share of the life: 80%.")
]
FalseAlarms = Annotated[
    float | None,
    typer.Option("--false-alarms", help="False alarms of a sound truck an hour driven [1/h]."),
]
Gap = Annotated[
    float | None, typer.Option("--max-gap", help="Longest gap that counts as seen [s].")
]
Silent = Annotated[
    float | None,
    typer.Option("--silent-after", help="A moving truck is silent after this [s]."),
]
Off = Annotated[
    list[str] | None,
    typer.Option("--off", metavar="KIND", help="Tell nobody of this kind of alarm."),
]
AsJson = Annotated[bool, typer.Option("--json", help="As one JSON object.")]


@dataclass(frozen=True, slots=True)
class _File:
    """A store on disk that is only read."""

    path: Path

    def read(self) -> AbstractContextManager[sqlite3.Connection]:
        """Give a connection for a short while."""
        return read_only(self.path)


def hindsight_command(
    since: Since = None,
    until: Until = None,
    truck: OneTruck = None,
    over_temperature: TooHot = None,
    critical: Critical = None,
    service_distance: Distance = None,
    service_days: Days = None,
    service_life: Life = None,
    false_alarms: FalseAlarms = None,
    max_gap: Gap = None,
    silent_after: Silent = None,
    off: Off = None,
    as_json: AsJson = False,
    config: Config = None,
) -> None:
    """Run a span of the past again with other limits, and show the alarms beside those that came.

    Without any other limit it shows whether the run finds what was raised then. Nothing is written.
    """
    desk = desk_of(config)
    asked = _asked(
        desk,
        since,
        until,
        truck,
        Other(
            over_temperature_c=desk.temperature(over_temperature),
            over_temperature_critical_c=desk.temperature(critical),
            service_distance_km=desk.distance(service_distance),
            service_days=service_days,
            service_life_share=desk.share(service_life),
            false_alarms_per_h=false_alarms,
            max_gap_s=max_gap,
            silent_after_s=silent_after,
            off=frozenset(off or ()),
        ),
    )
    found = _made(desk, asked)
    if as_json:
        typer.echo(msgspec.json.encode(plain(found)).decode())
        return
    _print(desk, found)


def _asked(
    desk: Desk, since: str | None, until: str | None, truck: str | None, other: Other
) -> Asked:
    until_ms = desk.edge(until, days=1)
    until_ms = desk.now_ms() if until_ms is None else until_ms
    since_ms = desk.edge(since)
    since_ms = until_ms - USUAL_DAYS * 86_400_000 if since_ms is None else since_ms
    return Asked(since_ms=since_ms, until_ms=until_ms, other=other, truck=truck)


def _made(desk: Desk, asked: Asked) -> Compared:
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("looking back", total=1.0)

        def on(truck: str, share: float) -> None:
            bar.update(task, description=truck, completed=share)

        return compared(_File(desk.store), desk.reader, asked, progress=on)


def _print(desk: Desk, found: Compared) -> None:
    asked, zone = found.asked, desk.zone
    say(
        f"{asked.truck or 'All trucks'}, {minute(asked.since_ms, zone)} to "
        f"{minute(asked.until_ms, zone)}, {found.samples:,} samples"
    )
    for line in words.differs(asked.other, desk.units):
        say(f"  {line}")
    say(words.headline(found))
    say(words.truthful(found))
    say(
        f"Alarms a truck and week: {found.per_week(found.as_is):.2f} as it is, "
        f"{found.per_week(found.other):.2f} as it would be"
    )
    made = table("Truck", "Alarm", "Since", "As it is", "As it would be", "Difference", "Hint")
    for each in found.found:
        made.add_row(*_row(desk, each))
    if found.found:
        show(made)
    for name, why in found.left_out:
        say(f"left out: {name}: {why}")
    for line in words.CANNOT_KNOW:
        say(f"- {line}")


def _row(desk: Desk, each: Found) -> tuple[str, ...]:
    units = desk.units
    hints = "; ".join(words.hint(told, units) for told in each.told)
    return (
        each.truck,
        " ".join([words.kind_words(each.matter.kind), words.hottest(each, units)]).strip(),
        minute(each.matter.first_ms, desk.zone),
        "; ".join(words.episode(one) for one in each.matter.as_is) or "-",
        "; ".join(words.episode(one) for one in each.matter.other) or "-",
        words.difference(each),
        f"{words.VERDICTS[each.verdict]}: {hints}",
    )
