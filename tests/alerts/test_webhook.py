from __future__ import annotations

import base64
import ssl
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler
from typing import Any

import pytest
import trustme
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from cloudevents.core.v1.event import CloudEvent
from standardwebhooks import Webhook

from alerts.channels import signature
from alerts.channels.addresses import acceptable, resolve
from alerts.channels.cloud_event import encode
from alerts.channels.webhook import READ_AT_MOST, WebhookChannel, WebhookSettings
from alerts.notice import Notice, Undelivered
from tests.alerts.far_side import Answer, WebSide, reply, web_side
from tests.alerts.store import NOON, Time, notice

SECRETS = tuple("whsec_" + base64.b64encode(bytes([n]) * 32).decode() for n in (1, 2))


@pytest.fixture
def side() -> Iterator[WebSide]:
    with web_side() as running:
        yield running


def channel(side: WebSide, *, timeout_s: float = 5.0, at: int | None = None) -> WebhookChannel:
    settings = WebhookSettings(
        url=f"http://127.0.0.1:{side.port}/in?a=1",
        secrets=SECRETS,
        allow_private=True,
        timeout_s=timeout_s,
    )
    # The verifying library reads the real clock.
    real = int(datetime.now(tz=UTC).timestamp() * 1000)
    return WebhookChannel(settings, now_ms=Time(at or real))


def refused(side: WebSide, **how: Any) -> Undelivered:
    with pytest.raises(Undelivered) as caught:
        channel(side, **how).deliver(notice())
    return caught.value


@pytest.mark.parametrize("secret", SECRETS)
def test_the_signature_satisfies_the_reference_library(side: WebSide, secret: str) -> None:
    assert channel(side).deliver(notice()) == "answered 204"
    (posted,) = side.posted
    verified = Webhook(secret).verify(posted.body, posted.headers)
    assert verified["data"]["vehicle"] == "NF-01"


def heard(side: WebSide, said: Notice) -> CloudEvent:
    """Read what arrived with the reference library, which checks it as it reads."""
    channel(side).deliver(said)
    posted = side.posted[-1]
    event = from_http_event(HTTPMessage(headers=posted.headers, body=posted.body))
    assert isinstance(event, CloudEvent)
    return event


def test_the_event_satisfies_the_reference_library(side: WebSide) -> None:
    """CloudEvents 1.0.2; the reference library is the outside source."""
    event = heard(side, notice())
    assert side.posted[0].headers["content-type"] == "application/cloudevents+json"
    assert (event.get_id(), event.get_specversion()) == ("n1", "1.0")
    assert (event.get_source(), event.get_type()) == ("/heatbook", "heatbook.alarm.active")
    assert (event.get_subject(), event.get_datacontenttype()) == ("NF-01", "application/json")
    assert event.get_time() == datetime(2026, 1, 1, 12, tzinfo=UTC)
    told = event.get_data()
    assert isinstance(told, dict)
    assert told["evidence"] == {"fluid_temp_c": 121.0, "spare": None}
    assert told["text"] == "The fluid is at 121 °C.\n"


def test_events_of_several_alarms_and_of_none(side: WebSide) -> None:
    (item,) = notice().items
    several = heard(side, notice(items=(item, replace(item, vehicle="NF-02"))))
    assert (several.get_type(), several.get_subject()) == ("heatbook.alarms", None)
    told = several.get_data()
    assert isinstance(told, dict)
    assert [each["vehicle"] for each in told["alarms"]] == ["NF-01", "NF-02"]
    report = heard(side, notice(items=()))
    assert (report.get_type(), report.get_subject()) == ("heatbook.report", None)


def test_the_published_example() -> None:
    """Standard Webhooks 1.0.0, example of the specification and its libraries (from memory)."""
    made = signature.headers(
        ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",),
        notice_id="msg_p5jXN8AQM9LWM0D4loKWxJek",
        time_s=1614265330,
        body=b'{"test": 2432232314}',
    )
    assert made["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_what_is_sent_is_small_and_the_same_on_every_try(side: WebSide) -> None:
    one = channel(side)
    one.deliver(notice())
    one.deliver(notice())
    first, second = side.posted
    assert first.path == "/in?a=1"
    assert first.headers["host"] == f"127.0.0.1:{side.port}"
    assert first.headers["webhook-id"] == second.headers["webhook-id"] == "n1"
    assert first.body == second.body == encode(notice(), source="/heatbook")
    assert len(first.body) < 20_000


@pytest.mark.parametrize("status", [301, 302, 307, 308, 400, 401, 404])
def test_an_answer_that_will_not_change_is_final(side: WebSide, status: int) -> None:
    place = f"http://127.0.0.1:{side.port}/elsewhere"
    side.answer = lambda handler: reply(handler, status, Location=place)
    refusal = refused(side)
    assert not refusal.retry
    assert not refusal.away
    assert len(side.posted) == 1


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_a_busy_receiver_is_tried_again_when_it_says(side: WebSide, status: int) -> None:
    side.answer = lambda handler: reply(handler, status, Retry_After="120")
    refusal = refused(side)
    assert (refusal.retry, refusal.away, refusal.retry_after_s) == (True, True, 120.0)


@pytest.mark.parametrize(
    ("said", "meant"),
    [("Thu, 01 Jan 2026 12:02:00 GMT", 120.0), ("soon", None), ("-3", None)],
)
def test_the_wait_may_be_a_date(side: WebSide, said: str, meant: float | None) -> None:
    side.answer = lambda handler: reply(handler, 503, Retry_After=said)
    assert refused(side, at=NOON).retry_after_s == meant


def test_a_receiver_that_is_gone_is_left_alone(side: WebSide) -> None:
    side.answer = lambda handler: reply(handler, 410)
    refusal = refused(side)
    assert (refusal.retry, refusal.disable) == (False, True)


def trickle(start: bytes) -> Answer:
    """Answer one byte at a time, faster than a socket's limit, for ever."""

    def answer(handler: BaseHTTPRequestHandler) -> None:
        pause = threading.Event()
        with suppress(OSError):
            handler.wfile.write(start)
            while not pause.wait(0.02):
                handler.wfile.write(b".")

    return answer


def test_a_receiver_that_trickles_its_answer_is_cut_off(side: WebSide) -> None:
    side.answer = trickle(b"HTTP/1.1 2")
    assert refused(side, timeout_s=0.2).retry


def test_an_answer_counts_though_what_follows_it_trickles(side: WebSide) -> None:
    side.answer = trickle(b"HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\n")
    assert channel(side, timeout_s=0.2).deliver(notice()) == "answered 200"


def test_a_receiver_that_says_nothing_is_cut_off(side: WebSide) -> None:
    gone = threading.Event()

    def answer(handler: BaseHTTPRequestHandler) -> None:
        gone.wait(5)

    side.answer = answer
    refusal = refused(side, timeout_s=0.1)
    gone.set()
    assert refusal.retry


def test_a_long_answer_is_not_read_to_its_end(side: WebSide) -> None:
    written: list[int] = []

    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", str(1 << 40))
        handler.end_headers()
        try:
            while True:
                written.append(handler.wfile.write(bytes(READ_AT_MOST)))
        except OSError:
            return

    side.answer = answer
    assert channel(side).deliver(notice()) == "answered 200"


def test_a_receiver_that_is_away_is_tried_again() -> None:
    with web_side() as gone:
        pass
    assert refused(gone).retry


def test_an_answer_that_is_not_http_is_tried_again(side: WebSide) -> None:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"what?\r\n\r\n")

    side.answer = answer
    assert refused(side).retry


@pytest.mark.parametrize("trusted", [True, False])
def test_the_name_is_kept_while_the_checked_address_is_called(trusted: bool) -> None:
    authority = trustme.CA()
    server = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("hooks.northfold.example").configure_cert(server)
    client = ssl.create_default_context()
    if trusted:
        authority.configure_trust(client)
    asked: list[str] = []

    def look_up(host: str, port: int) -> list[str]:
        asked.append(host)
        return ["127.0.0.2", "127.0.0.1"]  # nobody listens at the first

    with web_side(server) as side:
        settings = WebhookSettings(
            url=f"https://hooks.northfold.example:{side.port}",
            secrets=SECRETS,
            allow_private=True,
        )
        one = WebhookChannel(settings, now_ms=Time(), context=client, look_up=look_up)
        if trusted:
            assert one.deliver(notice()) == "answered 204"
            assert side.posted[0].headers["host"] == f"hooks.northfold.example:{side.port}"
            assert side.posted[0].path == "/"
        else:
            with pytest.raises(Undelivered, match="CERTIFICATE_VERIFY_FAILED"):
                one.deliver(notice())
            assert side.posted == []
    assert asked == ["hooks.northfold.example"]


PRIVATE = [
    "127.0.0.1",
    "127.8.8.8",
    "10.1.2.3",
    "172.16.0.1",
    "192.168.1.1",
    "100.64.0.1",
    "169.254.1.1",
    "0.0.0.0",  # noqa: S104 - an address to refuse
    "224.0.0.1",
    "240.0.0.1",
    "255.255.255.255",
    "::1",
    "::",
    "fe80::1%eth0",
    "fc00::1",
    "ff02::1",
    "::ffff:127.0.0.1",
    "::ffff:10.0.0.1",
    "::7f00:1",
    "64:ff9b::7f00:1",
    "64:ff9b:1::7f00:1",
    "2002:7f00:1::",
    "2001:0:7f00:1::",
    "::ffff:0:7f00:1",
    "2606:4700::5efe:7f00:1",
    "2606:4700::200:5efe:7f00:1",
    "2002:a9fe:101::",
    "64:ff9b::a00:1",
    "192.0.0.9",
    "192.88.99.1",
    "198.18.0.1",
    "203.0.113.1",
    "fec0::1",
    "2001:db8::1",
    "3fff::1",
    "5f00::1",
    "100::1",
]
"""Ranges of the IANA special-purpose registries (RFC 6890 and its updates), from memory."""
METADATA = [
    "169.254.169.254",
    "::ffff:169.254.169.254",
    "64:ff9b::a9fe:a9fe",
    "64:ff9b:1::a9fe:a9fe",
    "2002:a9fe:a9fe::",
    "::a9fe:a9fe",
    "::ffff:0:a9fe:a9fe",
    "2606:4700::5efe:a9fe:a9fe",
    "fd00:ec2::254",
    "fd20:ce::254",
    "100.100.100.200",
    "168.63.129.16",
]


@pytest.mark.parametrize("address", [*PRIVATE, *METADATA])
def test_no_address_leads_inside(address: str) -> None:
    assert not acceptable(address, allow_private=False)
    assert acceptable(address, allow_private=True) is (address not in METADATA)


@pytest.mark.parametrize("address", ["1.1.1.1", "2606:4700:4700::1111", "::ffff:1.1.1.1"])
def test_public_addresses_are_called(address: str) -> None:
    assert acceptable(address, allow_private=False)


@pytest.mark.parametrize(
    "host",
    [
        "2130706433",
        "0x7f.1",
        "0x7f000001",
        "017700000001",
        "0177.0.0.1",
        "127.1",
        "0",
        "localhost",
    ],
)
def test_odd_spellings_of_this_machine_are_seen_through(host: str) -> None:
    found = resolve(host, 80)
    assert found
    assert not any(acceptable(address, allow_private=False) for address in found)


@pytest.mark.parametrize("found", [["1.1.1.1", "127.0.0.1"], []])
def test_one_address_that_leads_inside_spoils_the_name(found: list[str]) -> None:
    settings = WebhookSettings(url="https://hooks.northfold.example/", secrets=SECRETS)
    one = WebhookChannel(settings, now_ms=Time(), look_up=lambda host, port: found)
    with pytest.raises(Undelivered, match="not a public one") as caught:
        one.deliver(notice())
    assert (caught.value.retry, caught.value.away) == (True, True)


def test_a_name_that_changes_its_address_between_look_and_call_is_called_where_it_was_looked_at(
    side: WebSide,
) -> None:
    """DNS rebinding: the first answer is public, every later one leads inside."""
    asked: list[str] = []

    def look_up(host: str, port: int) -> list[str]:
        asked.append(host)
        return ["192.0.2.1" if len(asked) == 1 else "127.0.0.1"]

    settings = WebhookSettings(
        url=f"http://hooks.northfold.example:{side.port}/",
        secrets=SECRETS,
        allow_private=True,
        timeout_s=0.2,
    )
    one = WebhookChannel(settings, now_ms=Time(), look_up=look_up)
    with pytest.raises(Undelivered):
        one.deliver(notice())
    assert asked == ["hooks.northfold.example"]
    assert side.posted == []


def test_a_redirect_to_this_machine_is_not_followed(side: WebSide) -> None:
    with web_side() as inner:
        place = f"http://127.0.0.1:{inner.port}/"
        side.answer = lambda handler: reply(handler, 307, Location=place)
        assert not refused(side).retry
        assert inner.posted == []


@pytest.mark.parametrize(
    ("url", "secrets", "says"),
    [
        ("http://hooks.northfold.example/", SECRETS, "https"),
        ("ftp://hooks.northfold.example/", SECRETS, "https"),
        ("https:///x", SECRETS, "https"),
        ("https://u:p@hooks.northfold.example/", SECRETS, "without user"),
        ("https://hooks.northfold.example:0/", SECRETS, "port 0"),
        ("https://hooks.northfold.example/", (), "at least one"),
        ("https://hooks.northfold.example/", ("whsec_ä",), "base64"),
        ("https://hooks.northfold.example/", ("whsec_QUJD",), "24 to 64"),
    ],
)
def test_settings_that_cannot_work_are_refused(
    url: str, secrets: tuple[str, ...], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        WebhookSettings(url=url, secrets=secrets)


def test_settings_do_not_show_their_secrets() -> None:
    shown = repr(WebhookSettings(url="https://hooks.northfold.example/tok", secrets=SECRETS))
    assert "tok" not in shown
    assert SECRETS[0] not in shown
