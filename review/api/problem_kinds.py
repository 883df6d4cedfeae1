"""The kinds of problems that the API tells of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from review.api.places import PEOPLE


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its name, the HTTP status that it comes with, and its words."""

    name: str
    status: int
    title: str
    meaning: str

    @property
    def address(self) -> str:
        """Where it is explained; RFC 9457 asks for the full path where an address is relative."""
        return f"{PEOPLE}#{self.name}"


_KINDS = (
    Kind(
        "not-understood",
        422,
        "The request is not understood",
        "Something does not fit what this operation takes; errors says what and where.",
    ),
    Kind(
        "signed-out",
        401,
        "Nobody is signed in",
        "Send a token (Authorization: Bearer …), or sign in on the console first.",
    ),
    Kind(
        "not-allowed",
        403,
        "That is not allowed",
        "The token lacks a scope, or the person a role; detail says which.",
    ),
    Kind(
        "not-here", 404, "Nothing is there", "There is no such path, or nothing of this name."
    ),
    Kind(
        "no-such-truck",
        404,
        "No such truck",
        "It is in neither the fleet file nor the record, and was never heard.",
    ),
    Kind(
        "wrong-method", 405, "Not that way", "The path takes other methods: Allow names them."
    ),
    Kind(
        "no-ground",
        409,
        "There is no ground for an answer",
        "What is stored of the truck does not let this be answered now; detail says why.",
    ),
    Kind(
        "does-not-fit",
        409,
        "That does not fit what is stored",
        "Sound by itself, but at odds with the truck, its record or its alarms. Nothing was written down.",
    ),
    Kind(
        "came-again",
        409,
        "The alarm is another by now",
        "It came again, or became worse, since it was seen. Read it again, then answer.",
    ),
    Kind(
        "changed-since",
        412,
        "It has changed since",
        "If-Match is that of an older state. Read it again, then decide.",
    ),
    Kind("too-long", 413, "Too much was sent", "A request may have 64 kB."),
    Kind(
        "wrong-content",
        415,
        "Not that kind of content",
        "What is sent in a body is JSON: Content-Type: application/json.",
    ),
    Kind(
        "key-used",
        422,
        "The key was used for something else",
        "An Idempotency-Key belongs to one request. Give a new request a key of its own.",
    ),
    Kind("too-many", 429, "Too many requests", "Wait for as many seconds as Retry-After says."),
    Kind(
        "our-fault",
        500,
        "That was our fault",
        "Nothing was written down. The daemon's log has it, as web.failed.",
    ),
)

KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every kind, by its name."""

BY_STATUS: Mapping[int, Kind] = MappingProxyType(
    {
        status: KINDS[name]
        for status, name in (
            (400, "not-understood"),
            (401, "signed-out"),
            (403, "not-allowed"),
            (404, "not-here"),
            (405, "wrong-method"),
            (413, "too-long"),
            (415, "wrong-content"),
            (422, "not-understood"),
            (429, "too-many"),
        )
    }
)
"""The kind that is meant where only a status is known."""
