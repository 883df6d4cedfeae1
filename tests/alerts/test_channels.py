"""The battery every channel passes: its far side accepts, refuses, is busy, is away."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Literal, get_args

import pytest
import structlog

from alerts.channel import Channel
from alerts.channels import (
    ChannelSettings,
    LogSettings,
    SmtpSettings,
    WebhookSettings,
    bad_address,
    build,
    routes,
    shows_pages,
)
from alerts.notice import Undelivered
from alerts.policy import Route
from models.transition import Priority
from tests.alerts.far_side import MailSide, free_port, mail_side, reply, web_side
from tests.alerts.store import Time, notice

Mood = Literal["accepts", "refuses", "is busy", "is away"]
MAIL: dict[Mood, list[str]] = {"accepts": [], "refuses": ["550 no"], "is busy": ["451 later"]}
WEB: dict[Mood, int] = {"accepts": 200, "refuses": 403, "is busy": 503}


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
def far_log(mood: Mood) -> Iterator[Far]:
    assert mood == "accepts", "a log is always there and takes everything"
    far = Far(made(LogSettings()), [])
    with structlog.testing.capture_logs() as lines:
        yield far
        far.arrived += [str(line["notice_id"]) for line in lines]


FAR = {LogSettings: far_log, SmtpSettings: far_mail, WebhookSettings: far_web}
KINDS = [pytest.param(kind, id=kind.__name__) for kind in FAR]
NEVER_REFUSES = {LogSettings}
MAY_REFUSE = [pytest.param(kind, id=kind.__name__) for kind in FAR if kind not in NEVER_REFUSES]


def made(settings: ChannelSettings) -> Channel:
    return build({"it": settings}, now_ms=Time())["it"]


def test_every_channel_is_put_through_the_battery() -> None:
    assert set(FAR) == set(get_args(ChannelSettings))


def test_routes_follow_the_settings() -> None:
    only_people = replace(mail_settings(25), recipients=())
    settings: dict[str, ChannelSettings] = {
        "log": LogSettings(),
        "mail": mail_settings(25),
        "smtp": only_people,
    }
    assert routes(settings) == (
        Route(channel="log", min_priority=Priority.LOW),
        Route(channel="mail", min_priority=Priority.HIGH),
    )


def test_pages_are_made_for_mail_only() -> None:
    names = ("smtp", "smtp/ines", "log", "webhook:smtp", "relay:smtp/ines", "advice")
    assert [name for name in names if shows_pages(name)] == ["smtp", "smtp/ines"]


def test_addresses_are_those_of_the_channel() -> None:
    assert bad_address(mail_settings(25), "ines@northfold.example") is None
    assert "not a mail address" in str(bad_address(mail_settings(25), "ines"))
    assert "nobody in person" in str(bad_address(LogSettings(), "ines"))


@pytest.mark.parametrize("kind", KINDS)
def test_accepted_twice_under_one_id(kind: type[ChannelSettings]) -> None:
    with FAR[kind]("accepts") as far:
        assert far.channel.deliver(notice())
        assert far.channel.deliver(notice())
    assert len(far.arrived) == 2
    assert len(set(far.arrived)) == 1
    assert "n1" in far.arrived[0]


@pytest.mark.parametrize("kind", MAY_REFUSE)
@pytest.mark.parametrize(
    ("mood", "retry"), [("refuses", False), ("is busy", True), ("is away", True)]
)
def test_not_accepted(kind: type[ChannelSettings], mood: Mood, retry: bool) -> None:
    with FAR[kind](mood) as far, pytest.raises(Undelivered) as caught:
        far.channel.deliver(notice())
    assert caught.value.retry is retry
    assert caught.value.reason
    assert far.arrived == []
