"""The battery every channel passes: its far side accepts, refuses, is busy, is away."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Literal, get_args

import pytest
import structlog

from alerts.channel import Channel
from alerts.channels import (
    AdviceSettings,
    ChannelSettings,
    LogSettings,
    RelaySettings,
    SmtpSettings,
    WebhookSettings,
    bad_address,
    build,
    routes,
    shows_pages,
)
from alerts.channels.advice import Advice, Publish
from alerts.notice import Undelivered
from alerts.policy import Route
from models.transition import Priority
from tests.alerts.far_side import MailSide, free_port, mail_side, reply, web_side
from tests.alerts.store import Time, notice

Mood = Literal["accepts", "refuses", "is busy", "is away"]
MAIL: dict[Mood, list[str]] = {"accepts": [], "refuses": ["550 no"], "is busy": ["451 later"]}
WEB: dict[Mood, int] = {"accepts": 200, "refuses": 404, "is busy": 503}


def mail_settings(port: int) -> SmtpSettings:
    return SmtpSettings(
        host="127.0.0.1",
        port=port,
        security="none",
        sender="heatbook@northfold.example",
        recipients=("desk@northfold.example",),
        min_priority=Priority.HIGH,
        helo="box",
    )


def web_settings(port: int) -> WebhookSettings:
    secret = base64.b64encode(bytes(32)).decode()
    url = f"http://127.0.0.1:{port}/"
    return WebhookSettings(url=url, secrets=(secret,), allow_private=True)


def relay_settings(port: int) -> RelaySettings:
    return RelaySettings(url=f"json://127.0.0.1:{port}/in", allow_private=True)


@dataclass
class Far:
    channel: Channel
    arrived: list[str]


@contextmanager
def far_mail(mood: Mood) -> Iterator[Far]:
    port = free_port()
    far = Far(made(mail_settings(port)), [])
    if mood == "is away":
        yield far
        return
    with mail_side(MailSide(data_answers=list(MAIL[mood])), port) as side:
        yield far
        far.arrived += [str(mail["Message-ID"]) for mail in side.received]


@contextmanager
def far_web(mood: Mood) -> Iterator[Far]:
    with web_side() as side:
        far = Far(made(web_settings(side.port)), [])
        if mood != "is away":
            side.answer = lambda handler: reply(handler, WEB[mood])
            yield far
            if mood == "accepts":
                far.arrived += [posted.headers["webhook-id"] for posted in side.posted]
    if mood == "is away":
        yield far


@contextmanager
def far_relay(mood: Mood) -> Iterator[Far]:
    with web_side() as side:
        far = Far(made(relay_settings(side.port)), [])
        if mood != "is away":
            side.answer = lambda handler: reply(handler, WEB[mood])
            yield far
            if mood == "accepts":
                far.arrived += [posted.body.decode() for posted in side.posted]
    if mood == "is away":
        yield far


@contextmanager
def far_broker(mood: Mood) -> Iterator[Far]:
    """A broker has one way to take and one not to; a real one stands in test_advice."""
    assert mood in ("accepts", "is away"), "a broker takes a message or is lost"
    far = Far(made(AdviceSettings()), [])
    if mood == "is away":
        far.channel = made(AdviceSettings(), lost)
    yield far
    far.arrived += BROKER
    BROKER.clear()


@contextmanager
def far_log(mood: Mood) -> Iterator[Far]:
    assert mood == "accepts", "a log is always there and takes everything"
    far = Far(made(LogSettings()), [])
    with structlog.testing.capture_logs() as lines:
        yield far
        far.arrived += [str(line["notice_id"]) for line in lines]


FAR = {
    LogSettings: far_log,
    SmtpSettings: far_mail,
    WebhookSettings: far_web,
    RelaySettings: far_relay,
    AdviceSettings: far_broker,
}
KINDS = [pytest.param(kind, id=kind.__name__) for kind in FAR]
CARRY_NO_ID = {RelaySettings, AdviceSettings}
"""Chats and displays have no place for an id: a repeat is the same words in the same place."""
MOODS: dict[type[ChannelSettings], tuple[Mood, ...]] = {
    LogSettings: (),
    AdviceSettings: ("is away",),
}
NOT_ACCEPTED: dict[Mood, tuple[bool, bool]] = {
    "refuses": (False, False),
    "is busy": (True, True),
    "is away": (True, True),
}
"""Whether a repeat makes sense, and whether other notices would fare no better."""
TROUBLE = [
    pytest.param(kind, mood, id=f"{kind.__name__} {mood}")
    for kind in FAR
    for mood in MOODS.get(kind, tuple(NOT_ACCEPTED))
]
BROKER: list[str] = []


def kept(messages: Sequence[Advice]) -> str:
    BROKER.extend(each.payload.decode() for each in messages)
    return "the broker has it"


def lost(messages: Sequence[Advice]) -> str:
    raise Undelivered("broker away", retry=True)


def made(settings: ChannelSettings, publish: Publish = kept) -> Channel:
    return build({"it": settings}, now_ms=Time(), publish=publish)["it"]


def test_every_channel_is_put_through_the_battery() -> None:
    assert set(FAR) == set(get_args(ChannelSettings))


def test_routes_follow_the_settings() -> None:
    only_people = replace(mail_settings(25), recipients=())
    personal = RelaySettings(url="json://127.0.0.1/{to}")
    settings: dict[str, ChannelSettings] = {
        "log": LogSettings(),
        "mail": mail_settings(25),
        "smtp": only_people,
        "relay:sms": personal,
        "relay:chat": relay_settings(80),
    }
    assert routes(settings) == (
        Route(channel="log", min_priority=Priority.LOW),
        Route(channel="mail", min_priority=Priority.HIGH),
        Route(channel="relay:chat", min_priority=Priority.LOW),
    )


def test_pages_are_made_for_mail_only() -> None:
    names = ("smtp", "smtp/ines", "log", "webhook:smtp", "relay:smtp/ines", "advice")
    assert [name for name in names if shows_pages(name)] == ["smtp", "smtp/ines"]


def test_addresses_are_those_of_the_channel() -> None:
    assert bad_address(mail_settings(25), "ines@northfold.example") is None
    assert "not a mail address" in str(bad_address(mail_settings(25), "ines"))
    assert "nobody in person" in str(bad_address(LogSettings(), "ines"))
    personal = RelaySettings(url="json://127.0.0.1/{to}")
    assert bad_address(personal, "+15550100001") is None
    assert "not an address" in str(bad_address(personal, " "))
    assert "write {to}" in str(bad_address(relay_settings(80), "+15550100001"))


@pytest.mark.parametrize("kind", KINDS)
def test_accepted_twice_under_one_id(kind: type[ChannelSettings]) -> None:
    with FAR[kind]("accepts") as far:
        assert far.channel.deliver(notice())
        assert far.channel.deliver(notice())
    assert len(far.arrived) == 2
    assert len(set(far.arrived)) == 1
    assert kind in CARRY_NO_ID or "n1" in far.arrived[0]


@pytest.mark.parametrize(("kind", "mood"), TROUBLE)
def test_not_accepted(kind: type[ChannelSettings], mood: Mood) -> None:
    with FAR[kind](mood) as far, pytest.raises(Undelivered) as caught:
        far.channel.deliver(notice())
    retry, away = NOT_ACCEPTED[mood]
    assert caught.value.retry is retry
    # A mail server that is busy with one mail may well take the next.
    assert caught.value.away is (away and (kind, mood) != (SmtpSettings, "is busy"))
    assert caught.value.reason
    assert far.arrived == []
