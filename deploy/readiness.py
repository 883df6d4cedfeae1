"""Whether the daemon can do its work now, and how it stands in a line. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.phrases import number_of, size_words
from deploy.signs import Check, Signs


def ready(signs: Signs, free_bytes: Mapping[str, int], least_bytes: int) -> tuple[Check, ...]:
    """Say whether messages are taken in, computed and written; what is not mends itself or needs a person.

    ``least_bytes``: with less room on a disk than that it is about to stop.
    """
    short = {name: free for name, free in free_bytes.items() if free < least_bytes}
    return (
        Check(
            name="started",
            good=signs.phase == "serving",
            words="store open and up to date, trucks read"
            if signs.phase == "serving"
            else signs.phase,
        ),
        Check(name="broker", good=signs.source.connected, words=broker_words(signs)),
        Check(
            name="store",
            good=signs.failing_ms is None,
            words="can be written" if signs.failing_ms is None else store_words(signs),
        ),
        Check(
            name="disk",
            good=not short,
            words=", ".join(
                f"{size_words(free)} left for the {name}" for name, free in free_bytes.items()
            ),
        ),
    )


def status(signs: Signs) -> str:
    """Say in one line how it stands, the worst first."""
    if signs.phase != "serving":
        return {"starting": "reading trucks", "stopping": "ending"}[signs.phase]
    if signs.failing_ms is not None:
        return store_words(signs)
    trucks = number_of(len(signs.trucks), "truck")
    waiting = number_of(signs.source.waiting, "message waits", "messages wait")
    return f"{broker_words(signs)}; {trucks}; {waiting}"


def broker_words(signs: Signs) -> str:
    """Say how it stands with the broker."""
    return {
        "connected": "connected to the broker",
        "refused": "the broker refuses us: see the log",
        "taken_over": "another process uses our client id",
    }.get("connected" if signs.source.connected else signs.source.phase, "the broker is away")


def store_words(signs: Signs) -> str:
    """Say that the store cannot be written, for how long and why."""
    for_s = (signs.failing_ms or 0) / 1000
    return f"the store cannot be written for {for_s:,.0f} s: {signs.reason}"
