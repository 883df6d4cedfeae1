"""The ways to tell somebody: each file brings its settings and channel; here is the list."""

from __future__ import annotations

from collections.abc import Mapping

from alerts.channel import Channel, Clock
from alerts.channels import mail, relay
from alerts.channels.advice import AdviceChannel, AdviceSettings, Publish
from alerts.channels.log import LogChannel, LogSettings
from alerts.channels.relay import RelayChannel, RelaySettings
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.channels.webhook import WebhookChannel, WebhookSettings
from alerts.policy import Route

__all__ = [
    "AdviceSettings",
    "ChannelSettings",
    "LogSettings",
    "RelaySettings",
    "SmtpSettings",
    "WebhookSettings",
    "bad_address",
    "build",
    "routes",
    "shows_pages",
]

ChannelSettings = LogSettings | SmtpSettings | WebhookSettings | RelaySettings | AdviceSettings


def build(
    settings: Mapping[str, ChannelSettings], *, now_ms: Clock, publish: Publish
) -> dict[str, Channel]:
    """Make the channels by name; ``publish`` takes advice to the broker."""
    return {name: _channel(each, now_ms, publish) for name, each in settings.items()}


def _channel(settings: ChannelSettings, now_ms: Clock, publish: Publish) -> Channel:
    """List which settings make which channel: to add one, its file and its line here."""
    match settings:
        case LogSettings():
            return LogChannel()
        case SmtpSettings():
            return SmtpChannel(settings)
        case WebhookSettings():
            return WebhookChannel(settings, now_ms=now_ms)
        case RelaySettings():
            return RelayChannel(settings)
        case AdviceSettings():
            return AdviceChannel(settings, publish=publish)


def routes(settings: Mapping[str, ChannelSettings]) -> tuple[Route, ...]:
    """Give the routes to the channels that have readers of their own, for ``Policy``."""
    return tuple(
        Route(channel=name, min_priority=each.min_priority)
        for name, each in settings.items()
        if _has_readers(each)
    )


def _has_readers(settings: ChannelSettings) -> bool:
    match settings:
        case SmtpSettings():
            return bool(settings.recipients)
        case RelaySettings():
            return not settings.personal
        case _:
            return True


def shows_pages(destination: str) -> bool:
    """Tell whether a notice's page and pictures are shown there."""
    return destination.partition("/")[0] == "smtp"


def bad_address(settings: ChannelSettings, address: str) -> str | None:
    """Say what is wrong with a person's address for this channel, None where nothing is."""
    match settings:
        case SmtpSettings():
            return mail.fault_of(address)
        case RelaySettings():
            return relay.bad_address(settings, address)
        case _:
            return "this channel reaches nobody in person"
