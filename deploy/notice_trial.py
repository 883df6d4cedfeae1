"""Test notices: by a channel to its own readers, or to one person by each of their ways."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from alerts import channels
from alerts.channel import Channel
from alerts.notice import Notice, Recipient, Undelivered
from alerts.people import Person, recipient
from deploy.advice_line import advice_line
from deploy.broker_check import Finding
from deploy.clock import wall_ms
from deploy.settings import Settings
from models.transition import Priority


def try_channels(settings: Settings) -> Iterator[Finding]:
    """Send a test notice by each channel that has readers of its own."""
    built = _built(settings)
    for route in channels.routes(settings.channels()):
        yield _tried(f"channel {route.channel}", built[route.channel], route.channel, None)


def try_ways(settings: Settings, person: Person) -> Iterator[Finding]:
    """Send somebody a test notice by each of their ways."""
    built = _built(settings)
    for way, destination in zip(person.ways, person.destinations, strict=True):
        what = f"{person.name} by {way.channel} {way.address}"
        yield _tried(what, built[way.channel], destination, recipient(person, destination))


def _built(settings: Settings) -> Mapping[str, Channel]:
    line = advice_line(settings.mqtt)
    return channels.build(settings.channels(), now_ms=wall_ms, publish=line)


def _tried(what: str, channel: Channel, destination: str, reader: Recipient | None) -> Finding:
    try:
        said = channel.deliver(_test_notice(destination, reader, wall_ms()))
    except Undelivered as error:
        mend = "See alerts in the settings" + (", or their address" if reader else "")
        return Finding(level="fault", what=f"{what}: {error.reason}", mend=mend)
    return Finding(level="good", what=f"{what} took a test notice ({said})")


def _test_notice(destination: str, reader: Recipient | None, now_ms: int) -> Notice:
    subject = "Test notice from Heatbook: nothing is wrong"
    return Notice(
        id=f"test-{now_ms}-{destination.replace('/', '-')}",
        destination=destination,
        recipient=reader,
        created_ms=now_ms,
        priority=Priority.LOW,
        subject=subject,
        short=subject,
        body=f"{subject}.\n\nSomebody tried out whether this arrives.\n",
    )
