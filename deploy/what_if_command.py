"""``heatbook what-if``: what another cooler, a full-flow block or less load would have meant."""

from __future__ import annotations

from typing import Annotated

import msgspec
import typer

from deploy import record_options as options
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import caution, foreign, say, show, table
from models.units import rfc3339
from models.what_if_figures import Change
from review import what_if_words as words
from review.what_if import Answer, answer

Since = Annotated[
    str | None,
    typer.Option(
        help="From when: a date (its midnight, fleet time) or a time. Default: 4 weeks."
    ),
]
Until = Annotated[
    str | None,
    typer.Option(help="Up to when: a date (its end) or a time. Default: the newest sample."),
]
Cooler = Annotated[
    list[float] | None,
    typer.Option(metavar="FACTOR", help="With so many times the cooler's core, 1.3 say."),
]
FullFlow = Annotated[
    bool, typer.Option("--full-flow", help="With a block that has no bypass valve.")
]
Clean = Annotated[
    bool, typer.Option("--clean", help="With the cooler as this truck's own was when healthy.")
]
Load = Annotated[
    list[float] | None,
    typer.Option(metavar="FACTOR", help="With so many times the engine's load, 0.8 say."),
]
Together = Annotated[
    bool, typer.Option("--together", help="Also all that was asked for, at once.")
]
AsJson = Annotated[bool, typer.Option("--json", help="As one JSON object.")]


def what_if_command(
    truck: options.Truck,
    since: Since = None,
    until: Until = None,
    cooler: Cooler = None,
    full_flow: FullFlow = False,
    clean: Clean = False,
    load: Load = None,
    together: Together = False,
    as_json: AsJson = False,
    config: Config = None,
) -> None:
    """Say what a bigger cooler, a full-flow block, a clean cooler or less load would have meant.

    Each of them is a line of its own; without any, the usual ones are shown.
    """
    desk = desk_of(config)
    changes = [Change(cooler=factor) for factor in cooler or ()]
    changes += [Change(full_flow=True)] if full_flow else []
    changes += [Change(cleaned=True)] if clean else []
    changes += [Change(load=factor) for factor in load or ()]
    if together and len(changes) > 1:
        changes.append(at_once(changes))
    with read_only(desk.store) as conn:
        found = answer(
            conn,
            desk.reader,
            truck,
            since_ms=desk.edge(since),
            until_ms=desk.edge(until, days=1),
            changes=changes,
        )
    if as_json:
        typer.echo(_plain(found).decode())
    else:
        _show(desk, found)


def at_once(changes: list[Change]) -> Change:
    """Put changes together; of two factors of one kind the last counts."""
    together = Change()
    for change in changes:
        together = Change(
            cooler=change.cooler if change.cooler != 1.0 else together.cooler,
            full_flow=change.full_flow or together.full_flow,
            cleaned=change.cleaned or together.cleaned,
            load=change.load if change.load != 1.0 else together.load,
        )
    return together


def _plain(found: Answer) -> bytes:
    """Write an answer for a program."""
    plain = msgspec.to_builtins(found)
    plain["since"], plain["until"] = rfc3339(found.since_ms), rfc3339(found.until_ms)
    for outcome, told in zip(plain["found"]["outcomes"], found.found.outcomes, strict=True):
        outcome["name"] = words.name(told.change)
    return msgspec.json.encode(plain)


def _show(desk: Desk, found: Answer) -> None:
    units = desk.units
    above = f"Above {units.degrees(found.limit_c)}"
    columns = ("Change", "Hottest", above, "Life used", "Compared")
    made = table(*columns, right=columns[1:])
    for outcome in found.found.outcomes:
        made.add_row(*(foreign(cell) for cell in words.row(outcome, units)))
    show(made)
    for line in words.remarks(found, units):
        say(line)
    for line in words.cautions(found):
        say(line, style="yellow")
    caution()
