"""One entry from the command line: enter it, let it count, and say what came of it."""

from __future__ import annotations

from collections.abc import Callable

from deploy.database import read_only
from deploy.desk import PATIENCE_S, Desk, enter, uncounted
from deploy.printing import caution, say, warn
from ingest.held import Held
from ingest.record import STRUCK, Entry
from models.layout import record
from models.renewal import counter_at_km
from review.entry_rules import UnknownTruck
from review.entry_words import KIND_WORDS, assumed, details
from review.measures import Both, minute
from review.past import state_at
from review.reading import Stored
from review.record_book import Book
from review.standing import life

WORK = frozenset(
    {"exchange", "pan_drop", "filter", "top_up", "fluid_change", "gearbox", "circuit", "sample"}
)
"""Kinds of entries about work on a raised truck or with hot fluid."""


def enter_one(
    desk: Desk,
    truck: str,
    work: Callable[[Book], Entry],
    *,
    first: bool = False,
    more: Callable[[Entry], None] | None = None,
) -> Entry:
    """Enter one entry of a truck; say what was understood, the account before and after, and ``more``."""
    before = look(desk, truck)
    (entry,) = enter(desk, lambda book: [work(book)], first=first)
    after = look(desk, truck)
    say(sentence(desk, entry))
    if after is not None:
        say_assumed(desk, entry, after)
    if uncounted(desk.store, [entry]):
        warn(
            f"It is entered, but does not count yet: within {PATIENCE_S:.0f} seconds the daemon "
            "has not taken it up. It does so when it looks again, at the latest at its next start; "
            f"'heatbook fleet show {truck}' then shows it."
        )
    else:
        _say_change(before, after)
    if more is not None:
        more(entry)
    if entry.kind in WORK and entry.supersedes is None:
        caution()
    return entry


def look(desk: Desk, truck: str) -> Stored | None:
    """Read a truck, None while nobody knows it."""
    if not desk.store.exists():
        return None
    with read_only(desk.store) as conn:
        try:
            return desk.reader.truck(conn, truck)
        except UnknownTruck:
            return None


def sentence(desk: Desk, entry: Entry) -> str:
    """Say back an entry: its number, truck, kind, time, who, and all numbers in both units."""
    said = details(entry, Both(desk.units))
    what = KIND_WORDS[entry.kind]
    if entry.kind == STRUCK:
        what = f"entry {entry.supersedes} is struck out"
    elif entry.supersedes is not None:
        what += f" (instead of entry {entry.supersedes})"
    note = f" Note: {entry.note}" if entry.note else ""
    return (
        f"Entry {entry.id}: {entry.vehicle}, {what}, {minute(entry.time_ms, desk.zone)}, by "
        f"{entry.who}{': ' if said else ''}{said}.{note}"
    )


def say_assumed(desk: Desk, entry: Entry, stored: Stored) -> None:
    """Say what an entry leaves to be assumed, if anything."""
    text = assumed(entry, stored.vehicle, Both(desk.units))
    if text:
        say(text)
    if "odometer_km" in entry.numbers and stored.held is not None:
        _doubt_counter(desk, entry, stored.held)


def _doubt_counter(desk: Desk, entry: Entry, held: Held) -> None:
    """Say so where the counter that somebody read does not fit the truck's own readings."""
    with read_only(desk.store) as conn:
        account = record(state_at(conn, held, entry.time_ms)).truck.account
    told_km = entry.numbers["odometer_km"]
    own_km = counter_at_km(account, told_km, entry.time_ms)
    if own_km != told_km:
        units = Both(desk.units)
        warn(
            f"The truck's own counter stood at {units.length(own_km)} then; "
            f"{units.length(told_km)} does not fit and is left out of the distance. If it is a "
            f"slip, 'heatbook fleet correct {entry.id} --odometer ...' mends it."
        )


def _say_change(before: Stored | None, after: Stored | None) -> None:
    if after is None or after.state is None:
        say("It counts with the truck's first sample.")
        return
    now = life(after.statement)
    if before is None or before.state is None:
        say(f"Life used now {now}.")
    else:
        say(f"Life used before {life(before.statement)}, now {now}.")
