from __future__ import annotations

import base64
import ssl
import threading
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler
from typing import Any

import pytest
import trustme
from standardwebhooks import Webhook

from alerts.channels import signature
from alerts.channels.addresses import acceptable, resolve
from alerts.channels.webhook import READ_AT_MOST, WebhookChannel, WebhookSettings, encode
from alerts.notice import Undelivered
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
    assert verified["type"] == "alarm.active"
    assert verified["timestamp"] == "2026-01-01T12:00:00.000Z"
    assert verified["data"]["vehicle"] == "NF-01"
    assert verified["data"]["evidence"] == {"fluid_temp_c": 121.0, "spare": None}


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
    assert first.body == second.body == encode(notice())
    assert len(first.body) < 20_000


@pytest.mark.parametrize("status", [301, 302, 307, 308, 400, 401, 404])
def test_an_answer_that_will_not_change_is_final(side: WebSide, status: int) -> None:
    place = f"http://127.0.0.1:{side.port}/elsewhere"
    side.answer = lambda handler: reply(handler, status, Location=place)
    assert not refused(side).retry
    assert len(side.posted) == 1


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_a_busy_receiver_is_tried_again_when_it_says(side: WebSide, status: int) -> None:
    side.answer = lambda handler: reply(handler, status, Retry_After="120")
    refusal = refused(side)
    assert (refusal.retry, refusal.retry_after_s) == (True, 120.0)


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
]
METADATA = ["169.254.169.254", "::ffff:169.254.169.254", "fd00:ec2::254", "100.100.100.200"]


@pytest.mark.parametrize("address", [*PRIVATE, *METADATA])
def test_no_address_leads_inside(address: str) -> None:
    assert not acceptable(address, allow_private=False)
    assert acceptable(address, allow_private=True) is (address not in METADATA)


@pytest.mark.parametrize("address", ["1.1.1.1", "2606:4700:4700::1111", "::ffff:1.1.1.1"])
def test_public_addresses_are_called(address: str) -> None:
    assert acceptable(address, allow_private=False)


@pytest.mark.parametrize("host", ["2130706433", "0x7f.1", "017700000001", "127.1", "localhost"])
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
    assert not caught.value.retry


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
