"""A notice as a mail: read back with the standard library, as another program would."""

from __future__ import annotations

from datetime import UTC
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.channels.mail import MOST_REFERENCES, compose, fault_of
from alerts.notice import Notice, Picture, Recipient
from models.units import METRIC
from tests.alerts.store import notice

SENDER = "Heatbook <heatbook@northfold.example>"
DESK = ("desk@northfold.example",)
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
CHART = Picture(name="chart", png=PNG, alt="Fluid temperature")
PAGE = '<p>121 °C</p><img src="cid:chart" alt="x"><p>&#34;cid:chart&#34; in a text</p>'


def mail(**changes: object) -> EmailMessage:
    message = compose(notice(**changes), sender=SENDER, recipients=DESK)
    read = message_from_bytes(message.as_bytes(), policy=default)
    assert isinstance(read, EmailMessage)
    assert not read.defects
    return read


def to(name: str) -> Notice:
    recipient = Recipient(name=name, address="ines@northfold.example", units=METRIC, zone=UTC)
    return notice(recipient=recipient)


def test_text_page_and_picture_are_one_mail() -> None:
    read = mail(page=PAGE, pictures=(CHART,))
    assert read.get_content_type() == "multipart/alternative"
    text, related = read.iter_parts()
    assert isinstance(related, EmailMessage)
    assert text.get_content_type() == "text/plain"
    assert related.get_content_type() == "multipart/related"
    assert related.get_param("type") == "text/html"
    html, picture = related.iter_parts()
    assert isinstance(html, EmailMessage)
    assert isinstance(picture, EmailMessage)
    cid = picture["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in html.get_content()
    assert html.get_content().count(cid) == 1
    assert picture.get_content_type() == "image/png"
    assert picture.get_content_disposition() == "inline"
    assert picture.get_content() == PNG


def test_a_page_without_a_picture_and_a_notice_without_a_page() -> None:
    both = mail(page="<p>121 °C</p>")
    assert [part.get_content_type() for part in both.iter_parts()] == [
        "text/plain",
        "text/html",
    ]
    assert mail().get_content_type() == "text/plain"


def test_every_try_is_the_same_to_the_byte() -> None:
    first, second = (
        compose(notice(page=PAGE, pictures=(CHART,)), sender=SENDER, recipients=DESK).as_bytes()
        for _ in range(2)
    )
    assert first == second


def test_later_notices_of_an_alarm_belong_to_its_first() -> None:
    read = mail(id="n2", thread=("n1",))
    assert read["In-Reply-To"] == read["References"] == "<n1@northfold.example>"
    assert read["Message-ID"] == "<n2@northfold.example>"


def test_a_long_thread_keeps_its_first_and_its_newest() -> None:
    thread = tuple(f"n{nth}" for nth in range(50))
    read = mail(id="n50", thread=thread)
    assert read["In-Reply-To"] == "<n49@northfold.example>"
    named = read["References"].split()
    assert named[0] == "<n0@northfold.example>"
    assert named[1:] == [f"<n{nth}@northfold.example>" for nth in range(41, 50)]
    assert len(named) == MOST_REFERENCES


def test_nobody_is_to_answer_by_machine() -> None:
    """RFC 3834 section 5."""
    assert mail()["Auto-Submitted"] == "auto-generated"


HEADERS = {
    "From",
    "To",
    "Subject",
    "Date",
    "Message-ID",
    "Auto-Submitted",
    "MIME-Version",
    "Content-Type",
    "Content-Transfer-Encoding",
}
STEERING = st.text(
    st.sampled_from('\r\n\0\x0b\x0c\x1c\x85\u2028 :;<>@,"\\()aBcé=?_-'), max_size=40
)


@given(subject=STEERING, name=STEERING)
def test_no_text_brings_a_header_or_a_reader_along(subject: str, name: str) -> None:
    said = f"{subject}\r\nBcc: all@northfold.example"
    one = to(f"{name}\nBcc: all@northfold.example")
    message = compose(
        notice(subject=said, recipient=one.recipient), sender=SENDER, recipients=()
    )
    read = message_from_bytes(message.as_bytes(), policy=default)
    assert set(read.keys()) == HEADERS
    assert [each.addr_spec for each in read["To"].addresses] == ["ines@northfold.example"]


def test_a_subject_is_one_line() -> None:
    subject = mail(subject="ALARM\r\nBcc: all@northfold.example")["Subject"]
    assert subject == "ALARM Bcc: all@northfold.example"


@pytest.mark.parametrize("good", ["a@b.example", "Desk <desk@b.example>", "ørn@b.example"])
def test_addresses(good: str) -> None:
    assert fault_of(good) is None


@pytest.mark.parametrize(
    "bad", ["", "desk", "@b.example", "a@", "a@b.example\r\nBcc: c@d.example"]
)
def test_what_is_no_address_is_said_so(bad: str) -> None:
    assert "not a mail address" in str(fault_of(bad))


@pytest.mark.parametrize(
    "subject",
    [
        "ALARM HIGH NF-03 (Quarry run): Transmission fluid too hot: 132 °C",
        "NOW HIGH NF-07 (Long haul): Service due since 16 June 2026, by distance, "
        + "far " * 30,
        "NOBODY HAS ACKNOWLEDGED HIGH NF-03 (Café run – Süd): fluid too hot: 132 °C",
    ],
)
def test_a_long_subject_arrives_as_it_was_written(subject: str) -> None:
    made = compose(
        notice(subject=subject), sender=SENDER, recipients=("desk@northfold.example",)
    )
    sent = made.as_bytes()
    assert message_from_bytes(sent, policy=default)["Subject"] == subject.strip()
    # RFC 5322 section 2.1.1.
    assert all(len(line) <= 998 for line in sent.split(b"\r\n"))
