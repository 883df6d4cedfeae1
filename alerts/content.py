"""The words of a notice as text, for its row: kept from the first try on, so that all tries say the same."""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass

from alerts.notice import Item, Notice, Picture, Recipient
from alerts.sending import Sending, Told

_WORDS = ("subject", "short", "body", "page")


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a notice says, whoever gets it."""

    subject: str
    short: str
    body: str
    page: str = ""
    pictures: tuple[Picture, ...] = ()
    thread: tuple[str, ...] = ()


def content_of(notice: Notice) -> Content:
    """Take from a notice what is kept."""
    words = {name: getattr(notice, name) for name in _WORDS}
    return Content(**words, pictures=notice.pictures, thread=notice.thread)


def encode(content: Content) -> str:
    """Write it as text."""
    words: dict[str, object] = {name: getattr(content, name) for name in _WORDS}
    words["thread"] = content.thread
    words["pictures"] = [
        {"name": each.name, "png": b64encode(each.png).decode(), "alt": each.alt}
        for each in content.pictures
    ]
    return json.dumps(words, ensure_ascii=False, separators=(",", ":"))


def decode(text: str) -> Content:
    """Read it back."""
    words = json.loads(text)
    pictures = tuple(
        Picture(name=each["name"], png=b64decode(each["png"]), alt=each["alt"])
        for each in words.pop("pictures")
    )
    return Content(pictures=pictures, thread=tuple(words.pop("thread")), **words)


def notice(
    sending: Sending, told: Sequence[Told], content: Content, recipient: Recipient | None
) -> Notice:
    """Put a notice together from what was kept; the address is that of today."""
    lead = moved_line(sending.moved_from)
    return Notice(
        id=sending.id,
        thread=content.thread,
        destination=sending.destination,
        recipient=recipient,
        created_ms=sending.created_ms,
        priority=sending.priority,
        subject=content.subject,
        short=content.short,
        body=f"{lead}\n\n{content.body}" if lead else content.body,
        page=content.page,
        items=tuple(item(one) for one in told),
        pictures=content.pictures,
    )


def moved_line(moved_from: str) -> str:
    """Say that another way was tried first; nothing when there was none."""
    return (
        f"This comes this way because {moved_from} could not be reached." if moved_from else ""
    )


def item(told: Told) -> Item:
    """Give what one telling says, for machines."""
    entry, alarm = told.entry, told.alarm
    return Item(
        alarm_id=alarm.id,
        matter=entry.matter,
        vehicle=alarm.vehicle,
        kind=alarm.kind,
        priority=entry.priority,
        probability=entry.probability,
        evidence=entry.evidence,
        onset_ms=entry.onset_ms,
        time_ms=entry.time_ms,
    )
