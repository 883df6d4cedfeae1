"""``heatbook fleet``: what was entered of a truck, corrections, and striking out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import msgspec
import typer
from rich.text import Text

from deploy import record_options as options
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.entering import enter_one
from deploy.options import Config
from deploy.printing import foreign, say, show, table
from ingest import record
from ingest.entry_fields import NUMBERS, WORDS
from ingest.held import NEVER_MS
from ingest.record import STRUCK, Entry
from models.units import rfc3339
from review import measures
from review.entry_words import KIND_WORDS, details
from review.measures import NotUnderstood
from review.problems import Mistake, nearest
from review.reading import Reader, Stored
from review.record_book import find, given
from review.service_record import correct, strike
from review.trucks import installed

app = typer.Typer(rich_markup_mode=None)

AsJson = Annotated[bool, typer.Option("--json", help="JSON lines, one an entry.")]


@app.command("history")
def history_command(
    truck: options.Truck, as_json: AsJson = False, config: Config = None
) -> None:
    """List all that was ever entered of a truck, with who and when, and what counts no longer."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        stored = desk.reader.truck(conn, truck)
        entries = record.history(conn, truck)
    first = installed(desk.fleet.vehicle(truck))
    if as_json:
        for entry in (*first, *entries):
            typer.echo(msgspec.json.encode(_plain(entry, entries)).decode())
        return
    if not first and not entries:
        say(f"Nothing is entered of {truck} yet, and the fleet file says nothing of its fill.")
        return
    made = table("No.", "Date", "What", "By", "Entered", right=("No.",), wide=("What", "By"))
    for entry in sorted((*first, *entries), key=lambda each: each.time_ms):
        made.add_row(*_row(desk, entry, entries))
    show(made)
    for line in remarks(desk.reader, stored):
        say(line)


@app.command("correct")
def correct_command(
    entry: options.EntryId,
    at: Annotated[
        str | None, typer.Option(help="When it was: a date (its noon, fleet time) or a time.")
    ] = None,
    odometer: Annotated[
        str | None, typer.Option(help="What the counter read: 61310km, 38000mi, or bare.")
    ] = None,
    volume: Annotated[
        str | None, typer.Option(help="How much new fluid it was: 4.5L, 5qt, or bare.")
    ] = None,
    life_used: Annotated[
        str | None, typer.Option(help="What that fluid had used by then: 0.2 or 20%.")
    ] = None,
    filter_changed: Annotated[
        bool | None,
        typer.Option("--filter/--no-filter", help="Whether the filter was changed."),
    ] = None,
    others: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="Any other number or word, named as 'history --json' does, in its unit.",
        ),
    ] = None,
    note: Annotated[str | None, typer.Option(help="Another note.")] = None,
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Correct an entry: a new one supersedes it, the old one stays to be read.

    What no option names stays as it was entered.
    """
    desk = desk_of(config, who)
    numbers, words = _set(others or [])
    numbers |= given(
        {
            "odometer_km": desk.distance(odometer),
            "volume_l": desk.volume(volume),
            "life_used": None if life_used is None else measures.share(life_used),
            "filter": None if filter_changed is None else float(filter_changed),
        }
    )
    at_ms = None if at is None else desk.moment(at)
    if at_ms is None and note is None and not numbers and not words:
        raise Mistake("say what is to be corrected, for example --volume 4.5L")
    enter_one(
        desk,
        truck_of(desk, entry),
        lambda book: correct(book, entry, at_ms=at_ms, numbers=numbers, words=words, note=note),
    )


@app.command("strike")
def strike_command(
    entry: options.EntryId,
    note: Annotated[str, typer.Option(help="Why.")],
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Strike an entry out: it counts no longer, but stays to be read."""
    desk = desk_of(config, who)
    enter_one(desk, truck_of(desk, entry), lambda book: strike(book, entry, note=note))


def truck_of(desk: Desk, entry_id: int) -> str:
    """Name the truck of an entry."""
    with read_only(desk.store) as conn:
        return find(conn, entry_id).vehicle


def remarks(reader: Reader, stored: Stored) -> list[str]:
    """Say what is to be known of a truck's record: who owns what, and what does not count yet."""
    found = []
    told = [entry.id for entry in stored.entries if entry.kind == "register"]
    if told and stored.name in reader.fleet.vehicles:
        found.append(
            f"Both the fleet file and entry {told[-1]} say what {stored.name} is: the fleet file "
            "counts."
        )
    if stored.waiting:
        found.append("Some entries do not count yet; the daemon counts them at its next look.")
    return found


def _set(others: Sequence[str]) -> tuple[dict[str, float], dict[str, str]]:
    """Read NAME=VALUE: numbers and words of an entry."""
    numbers: dict[str, float] = {}
    words: dict[str, str] = {}
    for text in others:
        name, sign, value = text.partition("=")
        if sign and name in WORDS:
            words[name] = value
        elif sign and name in NUMBERS:
            numbers[name] = _number(name, value)
        else:
            known = nearest(name, {*WORDS, *NUMBERS}, "name")
            raise NotUnderstood(f"--set {text!r} names nothing that an entry has; {known}")
    return numbers, words


def _number(name: str, value: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise NotUnderstood(f"{name} is {value!r}; write a bare number in its unit") from None


def _row(desk: Desk, entry: Entry, entries: Sequence[Entry]) -> tuple[str | Text, ...]:
    newer = [each for each in entries if entry.id is not None and each.supersedes == entry.id]
    parts = [KIND_WORDS[entry.kind], details(entry, desk.units), entry.note]
    if entry.kind == STRUCK:
        parts[0] = f"strikes out entry {entry.supersedes}"
    elif entry.supersedes is not None:
        parts.append(f"instead of entry {entry.supersedes}")
    if newer:
        how = "struck out by" if newer[0].kind == STRUCK else "superseded by"
        parts.append(f"counts no longer, {how} entry {newer[0].id}")
    what = foreign("; ".join(part for part in parts if part))
    if newer or entry.kind == STRUCK:
        what.stylize("dim")
    return (
        "" if entry.id is None else str(entry.id),
        "not known" if entry.time_ms == NEVER_MS else measures.day(entry.time_ms, desk.zone),
        what,
        foreign(entry.who),
        "" if entry.id is None else measures.day(entry.entered_ms, desk.zone),
    )


def _plain(entry: Entry, entries: Sequence[Entry]) -> dict[str, object]:
    """Write an entry for a program."""
    newer = [
        each.id for each in entries if entry.id is not None and each.supersedes == entry.id
    ]
    counts = entry.kind != STRUCK and not newer
    return {
        "id": entry.id,
        "vehicle": entry.vehicle,
        "kind": entry.kind,
        "time": None if entry.time_ms == NEVER_MS else rfc3339(entry.time_ms),
        "numbers": dict(entry.numbers),
        "words": dict(entry.words),
        "note": entry.note,
        "who": entry.who,
        "entered": None if entry.id is None else rfc3339(entry.entered_ms),
        "supersedes": entry.supersedes,
        "superseded_by": newer[0] if newer else None,
        "counts": counts,
    }
