"""A notice as a mail: text, page and pictures in one message, the same bytes on every try.

``multipart/alternative`` of the text and a ``multipart/related`` of page and pictures (RFC 2046, RFC 2387),
which the page calls by ``cid:`` (RFC 2392). The library refuses what would begin another header.
"""

from __future__ import annotations

from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from hashlib import sha256

from alerts.notice import Notice, Recipient
from alerts.steering import unsteered

MOST_REFERENCES = 10
"""Earlier mails that one refers to at most: the first and the newest, as RFC 5322 section 3.6.4 allows."""

LONGEST = 200
"""Letters of a subject or a name at most: a header's line may have 998 octets, and no word is parted."""

UNFOLDED = SMTP.clone(max_line_length=998)
"""Header lines as long as RFC 5322 section 2.1.1 allows: where the library folds a line at a blank before
an encoded word, the reader sees two blanks ("132  °C")."""


def fault_of(address: str) -> str | None:
    """Say what is wrong with a mail address, None where nothing is."""
    found = parseaddr(address)[1]
    if "@" not in found or found.startswith("@") or found.endswith("@"):
        return f"not a mail address: {address!r}; write it like desk@northfold.example"
    if any(not sign.isprintable() for sign in address):
        return f"not a mail address: {address!r}; it holds signs that cannot be printed"
    # What is left over may be somebody else's: they would never be told.
    whole = address.strip() == found or address.strip().endswith(f"<{found}>")
    if not whole or (" " in found and not found.startswith('"')):
        return f"not one mail address: {address!r}; write each by itself, like desk@northfold.example"
    return None


def compose(notice: Notice, *, sender: str, recipients: tuple[str, ...]) -> EmailMessage:
    """Make the mail of a notice to these addresses, or to its own recipient."""
    domain = parseaddr(sender)[1].rpartition("@")[2]
    message = EmailMessage(policy=SMTP)
    message["From"] = sender
    message["To"] = _to(notice.recipient) if notice.recipient else ", ".join(recipients)
    message["Subject"] = _one_line(notice.subject)
    message["Date"] = format_datetime(datetime.fromtimestamp(notice.created_ms / 1000, tz=UTC))
    message["Message-ID"] = f"<{notice.id}@{domain}>"
    if notice.thread:
        earlier = [f"<{each}@{domain}>" for each in _bounded(notice.thread)]
        message["In-Reply-To"] = earlier[-1]
        message["References"] = " ".join(earlier)
    # RFC 3834 section 5: nobody's "out of office" shall answer.
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(unsteered(notice.body))
    if notice.page:
        _add_page(message, notice, domain)
    message.policy = UNFOLDED  # after the content, whose lines go by the library's own length
    return message


def _to(recipient: Recipient) -> Address:
    local, _, domain = parseaddr(recipient.address)[1].rpartition("@")
    name = _one_line(recipient.name)
    return Address(display_name=name, username=local, domain=domain)


def _one_line(text: str) -> str:
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= LONGEST else f"{line[: LONGEST - 1]}…"


def _bounded(thread: tuple[str, ...]) -> tuple[str, ...]:
    if len(thread) <= MOST_REFERENCES:
        return thread
    return (thread[0], *thread[1 - MOST_REFERENCES :])


def _add_page(message: EmailMessage, notice: Notice, domain: str) -> None:
    page = unsteered(notice.page)
    for picture in notice.pictures:
        # Only the template can have written a quotation mark: text that came in is escaped.
        page = page.replace(
            f'src="cid:{picture.name}"', f'src="cid:{_cid(picture.name, notice, domain)}"'
        )
    message.add_alternative(page, subtype="html")
    _, related = message.iter_parts()
    assert isinstance(related, EmailMessage)  # noqa: S101 - for the type checker: just added
    for picture in notice.pictures:
        cid = f"<{_cid(picture.name, notice, domain)}>"
        name = f"{picture.name}.png"
        related.add_related(
            picture.png, "image", "png", disposition="inline", cid=cid, filename=name
        )
    if notice.pictures:
        related.set_param("type", "text/html")
    for nth, part in enumerate((message, related)):
        if part.is_multipart():
            # The library's own are random: another try would be another content.
            part.set_boundary(f"={nth}={sha256(notice.id.encode()).hexdigest()[:32]}=")


def _cid(name: str, notice: Notice, domain: str) -> str:
    return f"{name}.{notice.id}@{domain}"
