"""After something was done: where to go on, and the plain words that say so there."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit, urlunsplit

from review.access.own_path import own_path
from review.console.visit import Visit

SAID: Mapping[str, str] = {
    "acknowledged": (
        "Written down: you know. Reminders end; the alarm stands until its condition is over."
    ),
    "commented": "Your comment is written down.",
    "looked": "Written down: you have looked. The alarm is closed; if it comes again, it is raised anew.",
    "shelved": "Put aside. Nobody is told until the time is over; it comes back by itself.",
    "suppressed_by_design": "Held back. Nobody is told until it is let go or its time is over.",
    "out_of_service": "Out of service. Nobody is told until it is put into service again.",
    "released": "Let go. What still stands is told now, and shown above.",
    "struck": "Struck out: the entry counts no longer. It stays in the record, crossed out.",
}
"""What was done, by the word that the address carries: nothing that is sent is ever shown."""


def done_words(visit: Visit) -> str:
    """Say what was just done; nothing where nothing was."""
    return SAID.get(visit.request.query_params.get("done", ""), "")


def back_to(visit: Visit, otherwise: str) -> str:
    """Give the page of our own that a form asks to go on to."""
    return own_path(visit.form.get("next", ""), otherwise)


def with_done(path: str, done: str) -> str:
    """Give an address that says what was done."""
    parts = urlsplit(path)
    kept = [part for part in parts.query.split("&") if part and not part.startswith("done=")]
    return urlunsplit(("", "", parts.path, "&".join([*kept, f"done={done}"]), ""))
