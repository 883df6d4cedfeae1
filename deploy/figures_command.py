"""``heatbook alarms figures``: how well the alarms serve people, beside what the standards ask for."""

from __future__ import annotations

from typing import Annotated

import msgspec
import typer
from rich.text import Text

from alerts.figure_lines import Line, lines, span
from alerts.figure_reader import figures_of
from alerts.figures import DAY_MS, Figures, Rules
from deploy.database import read_only
from deploy.desk import desk_of
from deploy.options import Config
from deploy.printing import foreign, say, show, table
from review.figures_json import plain
from review.problems import Mistake

USUAL_DAYS = 28
"""How far back the figures go unless told otherwise [d]."""

Since = Annotated[
    str | None,
    typer.Option(
        help="From when: a date (its midnight, fleet time) or a time. Default: 4 weeks."
    ),
]
Until = Annotated[
    str | None, typer.Option(help="Up to when: a date (its end) or a time. Default: now.")
]
People = Annotated[
    int, typer.Option(min=1, help="How many people share the alarms at one time.")
]
AsJson = Annotated[bool, typer.Option("--json", help="As one JSON object.")]


def figures_command(
    since: Since = None,
    until: Until = None,
    people: People = 1,
    as_json: AsJson = False,
    config: Config = None,
) -> None:
    """Count how many alarms came, how often they flooded, tired or waited, and who was told how soon."""
    desk = desk_of(config)
    until_ms = desk.edge(until, days=1) or desk.now_ms()
    since_ms = desk.edge(since) or until_ms - USUAL_DAYS * DAY_MS
    if since_ms >= until_ms:
        raise Mistake("--since must lie before --until")
    with read_only(desk.store) as conn:
        found = figures_of(
            conn, since_ms=since_ms, until_ms=until_ms, rules=Rules(positions=people)
        )
    if as_json:
        typer.echo(msgspec.json.encode(plain(found)).decode())
        return
    made = table("Figure", "Is", "Asked for", "", wide=("Is",))
    for line in lines(found):
        made.add_row(line.about, foreign(line.figure), line.target, _mark(line))
    show(made)
    for text in remarks(found):
        say(text)


def remarks(found: Figures) -> list[str]:
    """Say which alarms came most often, and what the targets are."""
    said = [
        f"Most often: {each.vehicle} {each.kind} {each.count} times."
        for each in found.nuisance.most[:3]
        if each.count > 1
    ]
    return [
        *said,
        (
            f"Counted over {span(found.until_ms - found.since_ms)}. What is asked for are the usual "
            "targets of ISA-18.2 and EEMUA 191, for somebody who watches alarms all day; a fleet's "
            "own may be lower."
        ),
    ]


def _mark(line: Line) -> Text:
    if line.kept is None:
        return Text("")
    return Text("kept", style="green") if line.kept else Text("not kept", style="yellow")
