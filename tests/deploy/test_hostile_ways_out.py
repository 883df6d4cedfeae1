"""Texts that mean harm, on the ways that lead out of the console: mail, calendar, tables, paper.

Each is read by a program that is not ours, as whoever gets it would read it.
"""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from email.message import EmailMessage
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import vobject
from icalendar import Calendar

from alerts.alarm import Matter
from alerts.channels.smtp import SmtpChannel, SmtpSettings
from alerts.notice import Notice, Recipient
from alerts.page import Report, Table, report_page
from alerts.sheet import Passage
from deploy.calendar_feed import feed
from deploy.database import Database
from deploy.export.everything import export
from ingest import quarantine, record, record_csv
from ingest.decoded import Refused
from ingest.entry import LONGEST_NOTE, Entry
from ingest.entry_fields import LONGEST_WORD
from ingest.record_row import Defaults
from models.units import METRIC
from review.access import audit
from review.access.audit import Deed
from review.dossier.report import report
from tests.alerts import mail_scenes
from tests.alerts.far_side import MailSide, free_port, mail_side
from tests.alerts.store import NOON, notice
from tests.deploy.test_calendar_feed import event, unfolded
from tests.hostile import BIDI, FORMULAS, MADE, STEERING, TAG, TEXTS, Seen
from tests.review.failures import BOTH, TELLER, day, pipeline, review
from tests.review.northfold_day import END_MS, reader

hostile = pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)

NOT_SHOWN = frozenset((*STEERING, *BIDI)) - {"\n", "\t"}
"""What nobody shall find in a text that is shown; lines may end."""


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[MailSide, SmtpChannel]]:
    port = free_port()
    settings = SmtpSettings(
        host="127.0.0.1",
        port=port,
        security="none",
        sender="Heatbook <heatbook@northfold.example>",
        timeout_s=20.0,
        helo="box.northfold.example",
    )
    with mail_side(MailSide(), port) as side:
        yield side, SmtpChannel(settings)


def alarm_mail(text: str) -> Notice:
    """Word an alarm whose truck is called so, with a remark that somebody wrote."""
    made = mail_scenes.told(1, *mail_scenes.KINDS[0], matter=Matter.REMINDER, remark=text)
    return mail_scenes.mail(made, names={"NF-01": text}, drawn=False)


def bundle_mail(text: str) -> Notice:
    """Word several of them."""
    several = [
        mail_scenes.told(nth, *mail_scenes.KINDS[nth], remark=text) for nth in range(1, 5)
    ]
    return mail_scenes.mail(
        *several, names={each.alarm.vehicle: text for each in several}, drawn=False
    )


def report_mail(text: str) -> Notice:
    """Write a report in which each part says it."""
    page = report_page(
        Report(
            head=text,
            title=text,
            lead=text,
            parts=(
                Passage(heading=text, lines=(text,), points=(text,)),
                Table(caption=text, heads=(text,), rows=((text,),)),
            ),
        )
    )
    return notice(destination="smtp/ines", subject=text, items=(), page=page)


@hostile
@pytest.mark.parametrize("worded", [alarm_mail, bundle_mail, report_mail])
def test_a_mail_has_no_header_and_no_element_more(
    server: tuple[MailSide, SmtpChannel], worded: object, text: str
) -> None:
    assert callable(worded)
    plain, odd = (_sent(server, worded(each), each) for each in ("Old Hand", text))
    assert odd.keys() == plain.keys()
    assert not odd.defects
    assert [each.get_content_type() for each in odd.walk()] == [
        each.get_content_type() for each in plain.walk()
    ]
    for value in odd.values():
        assert not NOT_SHOWN.intersection(value)
    seen = [Seen(_part(each, "text/html")) for each in (plain, odd)]
    assert seen[1].tags == seen[0].tags
    assert seen[1].handlers == seen[0].handlers == set()
    assert TAG not in seen[1].tags
    for shown in (seen[1].text, _part(odd, "text/plain")):
        assert MADE not in shown
        assert not NOT_SHOWN.intersection(shown)


def _sent(server: tuple[MailSide, SmtpChannel], told: Notice, name: str) -> EmailMessage:
    """Send it and give what the server took; nobody is told but the one it is for."""
    side, channel = server
    recipient = Recipient(name=name, address="ines@northfold.example", units=METRIC, zone=UTC)
    channel.deliver(replace(told, recipient=recipient))
    assert side.envelopes[-1] == ["ines@northfold.example"]
    assert side.received[-1]["To"].addresses[0].addr_spec == "ines@northfold.example"
    return side.received[-1]


def _part(mail: EmailMessage, kind: str) -> str:
    (part,) = (each for each in mail.walk() if each.get_content_type() == kind)
    text = part.get_payload(decode=True)
    assert isinstance(text, bytes)
    return text.decode().replace("\r\n", "\n")


@hostile
def test_a_calendar_has_no_event_and_no_property_more(text: str) -> None:
    plain, odd = (
        feed([event()], title=each, units=METRIC, names={"NF-01": each}).body
        for each in ("Old Hand", text)
    )
    named = [[re.split("[;:]", line)[0] for line in unfolded(body)] for body in (plain, odd)]
    assert named[1] == named[0]
    (ours,) = Calendar.from_ical(odd).walk("VEVENT")
    theirs = vobject.readOne(odd.decode()).vevent
    assert str(ours["SUMMARY"]) == theirs.summary.value
    assert not NOT_SHOWN.intersection(theirs.summary.value + theirs.description.value)


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[list[str]]]:
    """Give the tables of an export of a store in which everything is called so."""
    folder = tmp_path_factory.mktemp("export")
    database = Database(folder / "heatbook.db", synchronous="off")
    with database.write() as tx:
        for number, text in enumerate(TEXTS.values()):
            _write(tx, number, text)
    export(database, reader(), folder / "out", max_gap_ms=300_000)
    database.close()
    found = {}
    for path in (folder / "out").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            found[path.stem] = list(csv.reader(file, strict=True))
    return found


def _write(tx: sqlite3.Connection, number: int, text: str) -> None:
    record.add(tx, entry_of(text, END_MS - 1000 * number))
    refused = Refused(reason="not_json", field=text, detail=text, raw=text.encode())
    quarantine.keep(
        tx,
        topic=f"{text}/telemetry",
        vehicle=None,
        refused=refused,
        received_ms=END_MS,
        limit_rows=1000,
        limit_bytes=10_000_000,
    )
    audit.audit(tx, text, Deed.SIGNED_IN, text, now_ms=END_MS, address=text)


def entry_of(text: str, time_ms: int) -> Entry:
    """Give an entry that says it, as far as the record takes it; the rest it refuses."""
    taken = "".join(
        sign for sign in text if sign in "\n\r\t\u2028\u2029" or sign not in STEERING
    )
    return Entry(
        kind="filter",
        vehicle="NF-03",
        time_ms=time_ms,
        who=taken[:LONGEST_WORD],
        entered_ms=END_MS,
        note=taken[:LONGEST_NOTE],
    )


def test_no_cell_of_an_export_is_run_and_none_becomes_two(
    exported: dict[str, list[list[str]]],
) -> None:
    assert {name: len(rows) - 1 for name, rows in exported.items()}["refused"] == len(TEXTS)
    for name, (heading, *rows) in exported.items():
        for row in rows:
            assert len(row) == len(heading), name
            for cell in row:
                _not_run(cell)
    # Nothing is lost: an apostrophe that was put before a text stands before no other.
    written = {cell for row in exported["refused"] for cell in row}
    for text in TEXTS.values():
        assert (text in written) != (f"'{text}" in written)


def _not_run(cell: str) -> None:
    """A spreadsheet takes it for a text, or for a number; so does each line, were it torn apart."""
    if re.fullmatch(r"-?\d+(\.\d+)?(e[+-]?\d+)?", cell):
        return
    for each in (cell, cell.lstrip()):
        assert not each.startswith(FORMULAS), cell[:40]


@hostile
def test_no_cell_of_the_record_is_run_and_reading_gives_the_text_back(text: str) -> None:
    told = entry_of(text, NOON)
    data = record_csv.write([told])
    heading, row = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)
    assert len(row) == len(heading)
    for cell in row:
        _not_run(cell)
    (again,) = record_csv.read(data, Defaults(who="Kim", zone=UTC, now_ms=END_MS))
    assert again.entry == told


@pytest.fixture(scope="module")
def paper(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A report of a truck of which people wrote all of it."""
    folder = tmp_path_factory.mktemp("paper")
    with day(folder) as (database, _):
        with database.write() as tx:
            for number, text in enumerate(TEXTS.values()):
                record.add(tx, entry_of(text, END_MS - 60_000 * (number + 1)))
                tx.execute(
                    "INSERT INTO alarm_event (alarm_id, time_ms, event, before, after, priority, by, "
                    "comment) SELECT id, onset_ms + ?, 'comment', state, state, priority, ?, ? "
                    "FROM alarm WHERE vehicle = 'NF-03' LIMIT 1",
                    (number, text, text),
                )
        running = pipeline(database)
        running.commit_record()
        running.flush()
        with database.read() as conn:
            found = review(conn, "NF-03")
        odd = replace(found, truck=replace(found.truck, title="".join(TEXTS.values())[:400]))
        file = folder / "report.pdf"
        file.write_bytes(report(odd, BOTH, TELLER, "0" * 64))
        yield file


def _read(paper: Path, *how: str) -> str:
    done = subprocess.run(  # noqa: S603
        ["pdftotext", "-enc", "UTF-8", *how, str(paper), "-"],  # noqa: S607
        check=True,
        capture_output=True,
    )
    assert not done.stderr, done.stderr
    return done.stdout.decode()


def test_paper_shows_markup_as_it_was_written(paper: Path) -> None:
    shown = _read(paper)
    assert f"<{TAG} onload=1>" in shown
    assert "{{7*191}}" in "".join(shown.split())
    assert MADE not in shown
    assert not (NOT_SHOWN - {"\f"}).intersection(shown)


def test_no_text_on_paper_runs_off_its_page(paper: Path) -> None:
    pages = ET.fromstring(_read(paper, "-bbox"))  # noqa: S314 - what poppler wrote
    place = "{http://www.w3.org/1999/xhtml}"
    count = 0
    for page in pages.iter(f"{place}page"):
        width, height = float(page.attrib["width"]), float(page.attrib["height"])
        for word in page.iter(f"{place}word"):
            count += 1
            box = {name: float(value) for name, value in word.attrib.items()}
            assert 0 <= box["xMin"] <= box["xMax"] <= width, (word.text or "")[:40]
            assert 0 <= box["yMin"] <= box["yMax"] <= height, (word.text or "")[:40]
    assert count > 500


def test_what_opens_the_paper_runs_nothing(paper: Path) -> None:
    # PDF 1.4 holds names outside of streams; within, any letters come by chance.
    body, streams = re.subn(
        rb"stream\r?\n.*?endstream", b"", paper.read_bytes(), flags=re.DOTALL
    )
    assert streams > 0
    assert b"/Catalog" in body
    for name in (b"/JavaScript", b"/JS", b"/OpenAction", b"/AA", b"/Launch", b"/URI"):
        assert not re.search(name + rb"\b", body), name
