"""The ways to tell somebody: each file brings its settings and channel; here is the list."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.channel import Channel, Clock
from alerts.channels import mail
from alerts.channels.log import LogChannel, LogSettings
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.channels.webhook import WebhookChannel, WebhookSettings
from alerts.policy import Route

__all__ = [
    "ChannelSettings",
    "LogSettings",
    "SmtpSettings",
    "WebhookSettings",
    "bad_address",
    "build",
    "routes",
    "shows_pages",
]

ChannelSettings = LogSettings | SmtpSettings | WebhookSettings


def build(settings: Mapping[str, ChannelSettings], *, now_ms: Clock) -> dict[str, Channel]:
    """Make the channels by name."""
    return {name: _channel(each, now_ms) for name, each in settings.items()}


def _channel(settings: ChannelSettings, now_ms: Clock) -> Channel:
    """List which settings make which channel: to add one, its file and its line here."""
    match settings:
        case LogSettings():
            return LogChannel()
        case SmtpSettings():
            return SmtpChannel(settings)
        case WebhookSettings():
            return WebhookChannel(settings, now_ms=now_ms)


def routes(settings: Mapping[str, ChannelSettings]) -> tuple[Route, ...]:
    """Give the routes to the channels that have readers of their own, for ``Policy``."""
    return tuple(
        Route(channel=name, min_priority=each.min_priority)
        for name, each in settings.items()
        if not (isinstance(each, SmtpSettings) and not each.recipients)
    )


def shows_pages(destination: str) -> bool:
    """Tell whether a notice's page and pictures are shown there."""
    return destination.partition("/")[0] == "smtp"


def bad_address(settings: ChannelSettings, address: str) -> str | None:
    """Say what is wrong with a person's address for this channel, None where nothing is."""
    match settings:
        case SmtpSettings():
            return mail.fault_of(address)
        case _:
            return "this channel reaches nobody in person"
