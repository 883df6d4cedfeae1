from __future__ import annotations

import socket
import ssl
from datetime import UTC
from typing import Any

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.notice import Notice, Recipient, Undelivered
from models.units import METRIC
from tests.alerts.far_side import MailSide, free_port, mail_side
from tests.alerts.store import notice

DESK, PHONE = "desk@northfold.example", "phone@northfold.example"


def settings(port: int, **changes: Any) -> SmtpSettings:
    values: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "sender": "Heatbook <heatbook@northfold.example>",
        "recipients": (DESK, PHONE),
        "timeout_s": 5.0,
        "helo": "box.northfold.example",
        **changes,
    }
    return SmtpSettings(**values)


def refused(port: int, **changes: Any) -> Undelivered:
    with pytest.raises(Undelivered) as caught:
        SmtpChannel(settings(port, **changes)).deliver(notice())
    return caught.value


def test_a_mail_arrives_as_written() -> None:
    port = free_port()
    with mail_side(MailSide(), port) as side:
        detail = SmtpChannel(settings(port)).deliver(notice())
    assert detail == f"accepted for {DESK}, {PHONE}"
    assert side.envelopes == [[DESK, PHONE]]
    (mail,) = side.received
    assert mail["Message-ID"] == "<n1@northfold.example>"
    assert mail["Subject"] == "ALARM HIGH NF-01: bypass stuck"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"] == "Thu, 01 Jan 2026 12:00:00 +0000"
    assert mail["In-Reply-To"] is None
    assert mail.get_content().splitlines() == ["The fluid is at 121 °C."]


def test_a_mail_that_was_taken_is_delivered_however_the_server_says_good_bye() -> None:
    port = free_port()
    with mail_side(MailSide(farewell="421 too busy"), port) as side:
        assert SmtpChannel(settings(port)).deliver(notice()).startswith("accepted for")
    assert len(side.received) == 1


@pytest.mark.parametrize(
    ("answer", "retry", "away"),
    [
        ("451 later", True, False),
        ("452 no room", True, False),
        ("421 closing", True, True),
        ("552 too big", False, False),
        ("554 never", False, False),
    ],
)
def test_the_server_says_whether_a_repeat_makes_sense(
    answer: str, retry: bool, away: bool
) -> None:
    """RFC 5321 section 4.2.1: 4yz may pass, 5yz will not; 421: the whole server goes away."""
    port = free_port()
    with mail_side(MailSide(data_answers=[answer]), port):
        refusal = refused(port)
    assert (refusal.retry, refusal.away) == (retry, away)
    assert answer in refusal.reason


@pytest.mark.parametrize(
    ("answer", "retry", "away"),
    [
        ("550 not from here", True, True),
        ("451 later", True, True),
        ("552 too big", False, False),
    ],
)
def test_a_sender_that_the_server_refuses_is_for_a_person_to_mend(
    answer: str, retry: bool, away: bool
) -> None:
    port = free_port()
    with mail_side(MailSide(sender_answer=answer), port):
        refusal = refused(port)
    assert (refusal.retry, refusal.away) == (retry, away)


def to_ines(address: str = "ines@northfold.example") -> Notice:
    recipient = Recipient(name="Inés Ørn", address=address, units=METRIC, zone=UTC)
    return notice(destination="smtp/ines", recipient=recipient)


def test_a_person_gets_a_mail_of_their_own() -> None:
    port = free_port()
    with mail_side(MailSide(), port) as side:
        detail = SmtpChannel(settings(port)).deliver(to_ines())
    assert detail == "accepted for ines@northfold.example"
    assert side.envelopes == [["ines@northfold.example"]]
    assert side.received[0]["To"] == "Inés Ørn <ines@northfold.example>"


def test_a_person_whose_mailbox_is_not_there_is_no_matter_of_the_server() -> None:
    port = free_port()
    side = MailSide(refused={"ines@northfold.example": "550 unknown"})
    with mail_side(side, port), pytest.raises(Undelivered, match="550 unknown") as caught:
        SmtpChannel(settings(port)).deliver(to_ines())
    assert (caught.value.retry, caught.value.away) == (False, False)


@pytest.mark.parametrize(
    "bad", ["ines", "@northfold.example", "ines@a.example\r\nBcc: b@c.example"]
)
def test_an_address_that_is_none_is_said_before_the_server_is_asked(bad: str) -> None:
    with pytest.raises(Undelivered, match="not a mail address") as caught:
        SmtpChannel(settings(1)).deliver(to_ines(bad))
    assert (caught.value.retry, caught.value.away) == (False, False)


def test_nobody_to_send_to() -> None:
    with pytest.raises(Undelivered, match="nobody to send to") as caught:
        SmtpChannel(settings(1, recipients=())).deliver(notice())
    assert (caught.value.retry, caught.value.away) == (False, False)


def test_letters_that_the_server_cannot_carry_are_refused_for_good() -> None:
    port = free_port()
    with (
        mail_side(MailSide(), port, enable_SMTPUTF8=False),
        pytest.raises(Undelivered) as caught,
    ):
        SmtpChannel(settings(port)).deliver(to_ines("ørn@northfold.example"))
    assert (caught.value.retry, caught.value.away) == (False, False)


@pytest.mark.parametrize(
    ("refusals", "retry"),
    [
        ({DESK: "550 unknown", PHONE: "550 unknown"}, False),
        ({DESK: "450 busy", PHONE: "550 unknown"}, True),
        ({DESK: "450 busy"}, True),
    ],
)
def test_refused_recipients(refusals: dict[str, str], retry: bool) -> None:
    port = free_port()
    with mail_side(MailSide(refused=refusals), port):
        refusal = refused(port)
    assert refusal.retry is retry
    assert not refusal.away
    assert DESK in refusal.reason


def test_one_recipient_that_does_not_exist_does_not_hold_up_the_others() -> None:
    port = free_port()
    with mail_side(MailSide(refused={DESK: "550 unknown"}), port) as side:
        detail = SmtpChannel(settings(port)).deliver(notice())
    assert detail == f"accepted for {PHONE}; refused for {DESK}"
    assert side.envelopes == [[PHONE]]


def test_a_server_that_is_away_is_tried_again() -> None:
    refusal = refused(free_port())
    assert (refusal.retry, refusal.away) == (True, True)


def contexts() -> tuple[ssl.SSLContext, ssl.SSLContext]:
    authority = trustme.CA()
    server = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(server)
    client = ssl.create_default_context()
    authority.configure_trust(client)
    return server, client


def _login(server: Any, session: Any, envelope: Any, mechanism: str, auth: Any) -> AuthResult:
    good = (auth.login, auth.password) == (b"box", b"right")
    return AuthResult(success=good, handled=False)


@pytest.mark.parametrize(("password", "arrives"), [("right", True), ("wrong", False)])
def test_starttls_and_login(password: str, arrives: bool) -> None:
    server, client = contexts()
    port = free_port()
    how = {"tls_context": server, "authenticator": _login, "auth_required": True}
    with mail_side(MailSide(), port, **how) as side:
        secure = settings(port, security="starttls", username="box", password=password)
        channel = SmtpChannel(secure, context=client)
        if arrives:
            channel.deliver(notice())
        else:
            with pytest.raises(Undelivered, match="login refused: 535") as caught:
                channel.deliver(notice())
            assert (caught.value.retry, caught.value.away) == (True, True)
    assert len(side.received) == arrives


@pytest.mark.parametrize("trusted", [True, False])
def test_tls_from_the_first_byte(trusted: bool) -> None:
    server, client = contexts()
    context = client if trusted else ssl.create_default_context()
    port = free_port()
    side = MailSide()

    class Secure(Controller):
        def _trigger_server(self) -> None:
            """Knock as somebody who knows the test's authority."""
            with socket.create_connection(("127.0.0.1", port)) as line:
                client.wrap_socket(line, server_hostname="127.0.0.1").close()

    controller = Secure(side, hostname="127.0.0.1", port=port, ssl_context=server)
    controller.start()
    try:
        channel = SmtpChannel(settings(port, security="tls"), context=context)
        if trusted:
            channel.deliver(notice())
        else:
            with pytest.raises(Undelivered, match="CERTIFICATE_VERIFY_FAILED"):
                channel.deliver(notice())
    finally:
        controller.stop()
    assert len(side.received) == trusted


def test_a_server_without_starttls_gets_nothing() -> None:
    port = free_port()
    with mail_side(MailSide(), port) as side:
        assert refused(port, security="starttls").retry
    assert side.received == []


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"recipients": ("nobody",)}, "not a mail address"),
        ({"sender": "a@b.example\r\nBcc: c@d.example"}, "not a mail address"),
        ({"username": "box", "password": "p"}, "in the clear"),
    ],
)
def test_settings_that_cannot_work_are_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        settings(25, **changes)


def test_settings_do_not_show_the_password() -> None:
    assert "hush" not in repr(settings(25, password="hush"))  # noqa: S106 - not a real one
