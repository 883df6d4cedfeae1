"""Names of destinations: a channel by itself (machines, lists), or a channel and a person behind it."""

from __future__ import annotations

_BEHIND = "/"


def destination(channel: str, person: str = "") -> str:
    """Name a destination."""
    return f"{channel}{_BEHIND}{person}" if person else channel


def channel_of(destination: str) -> str:
    """Give the channel that serves a destination."""
    return destination.partition(_BEHIND)[0]


def person_of(destination: str) -> str:
    """Give the key of the person at a destination, empty for none."""
    return destination.partition(_BEHIND)[2]
