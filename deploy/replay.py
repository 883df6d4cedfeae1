"""Replay a capture: the same pipeline as live, on a store that is thrown away."""

from __future__ import annotations

import gzip
import sqlite3
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

import msgspec

from alerts import journal as alarm_journal
from alerts.policy import Policy
from deploy.batch import Rules
from deploy.database import Database
from deploy.pipeline import Pipeline
from ingest.decoded import WireRules
from ingest.held import Held
from ingest.message import Message
from models import silence
from models.course import Course
from models.kernel import STATE
from models.layout import blank, record
from models.statement import Statement, statement
from models.transition import Priority, Transition
from review.store import Clock
from review.trucks import CourseOf

_BATCH_MESSAGES = 2_000
_BATCH_BYTES = 8_000_000
_NO_LIMIT = 2**62
_GZIP_MAGIC = b"\x1f\x8b"

LONGEST_LINE = 64 * 1024 * 1024
"""Of a capture [bytes]: the largest payload that settings can allow, each of its bytes escaped. A small
compressed file can hold a line that no memory does."""


class UnreadableCapture(Exception):
    """The file is no capture; the message says why."""


class _Line(msgspec.Struct):
    topic: str
    payload: msgspec.Raw


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckResult:
    """One truck at the end of a replay."""

    vehicle: str
    account: Statement
    quarantined: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What a capture holds, when all of it has been taken in.

    ``future`` samples were refused for lying in the future; ``refused_lines`` are lines of the
    file that are no capture lines; ``cut_short`` says why the file ended early, if it did.
    """

    transitions: tuple[Transition, ...]
    trucks: tuple[TruckResult, ...]
    messages: int
    future: int
    refused_lines: int
    cut_short: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplaySettings:
    """What a replay goes by, beside the file."""

    courses: CourseOf
    wire: WireRules
    registered: frozenset[str]
    refuse_unregistered: bool
    model_version: str
    silent_after_s: float
    now_ms: Clock


class Reader:
    """Yields the messages of a capture, plain or compressed, as the file is read.

    Raises
    ------
    UnreadableCapture
        The file cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._raw: IO[bytes] = path.open("rb")
            self.size = path.stat().st_size
            magic = self._raw.read(2)
            self._raw.seek(0)
        except OSError as error:
            raise UnreadableCapture(f"cannot read {path}: {error.strerror}") from error
        self._lines: IO[bytes] = (
            gzip.GzipFile(fileobj=self._raw) if magic == _GZIP_MAGIC else self._raw  # type: ignore[assignment]
        )
        self.refused_lines = 0
        self.cut_short: str | None = None

    @property
    def position(self) -> int:
        """How many bytes of the file have been read."""
        return self._raw.tell()

    def __iter__(self) -> Iterator[Message]:
        """Yield messages; lines that are none are counted and passed over."""
        decoder = msgspec.json.Decoder(_Line)
        try:
            for line in self._bounded():
                if not line.strip():
                    continue
                try:
                    entry = decoder.decode(line)
                    yield Message(topic=entry.topic, payload=_payload(bytes(entry.payload)))
                except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                    self.refused_lines += 1
        except (EOFError, OSError, zlib.error) as error:
            self.cut_short = str(error)

    def _bounded(self) -> Iterator[bytes]:
        """Yield lines; one that is too long is counted as none, and passed over."""
        whole = True
        while line := self._lines.readline(LONGEST_LINE):
            begun, whole = whole, line.endswith(b"\n") or len(line) < LONGEST_LINE
            if begun and whole:
                yield line
            elif begun:
                self.refused_lines += 1

    def close(self) -> None:
        """Let go of the file."""
        self._lines.close()
        self._raw.close()


def _payload(raw: bytes) -> bytes:
    """A payload stands in the file as JSON, or as a string that holds it."""
    raw = raw.strip()
    if raw.startswith(b'"'):
        return msgspec.json.decode(raw, type=str).encode()
    return raw


def replay(reader: Reader, settings: ReplaySettings, on_progress: Any = None) -> Result:
    """Take in a whole capture.

    Parameters
    ----------
    reader
        The opened file.
    settings
        What to go by.
    on_progress
        Called with the number of bytes read after each batch.

    Raises
    ------
    UnreadableCapture
        Nothing in the file is a capture line.
    """
    with TemporaryDirectory(prefix="heatbook-replay-") as folder:
        database = Database(Path(folder) / "replay.db", synchronous="off")
        try:
            pipeline = Pipeline(
                database,
                registered=settings.registered,
                courses=settings.courses,
                rules=_rules(settings),
                now_ms=settings.now_ms,
            )
            for batch in _batches(reader):
                pipeline.commit(batch)
                if on_progress is not None:
                    on_progress(reader.position)
            messages = pipeline.counts.messages
            if messages == 0 and (reader.refused_lines or reader.cut_short):
                raise UnreadableCapture(
                    reader.cut_short or "no line of it is an object with a topic and a payload"
                )
            return _result(database, pipeline, settings, reader)
        finally:
            database.close()


def _rules(settings: ReplaySettings) -> Rules:
    return Rules(
        wire=settings.wire,
        quarantine_rows=_NO_LIMIT,
        quarantine_bytes=_NO_LIMIT,
        refuse_unregistered=settings.refuse_unregistered,
        policy=Policy(),
        model_version=settings.model_version,
    )


def _batches(reader: Reader) -> Iterator[list[Message]]:
    batch: list[Message] = []
    room = _BATCH_BYTES
    for message in reader:
        batch.append(message)
        room -= len(message.payload)
        if len(batch) >= _BATCH_MESSAGES or room <= 0:
            yield batch
            batch, room = [], _BATCH_BYTES
    if batch:
        yield batch


def _result(
    database: Database, pipeline: Pipeline, settings: ReplaySettings, reader: Reader
) -> Result:
    with database.read() as conn:
        found = alarm_journal.history(conn)
        quarantined = _quarantined(conn)
        (future,) = conn.execute(
            "SELECT count(*) FROM quarantine WHERE reason = 'future'"
        ).fetchone()
    newest_ms = max((truck.last_ms for truck in pipeline.trucks.values()), default=0)
    for truck in pipeline.trucks.values():
        found += _still_silent(truck, settings.silent_after_s, newest_ms)
    trucks = [
        TruckResult(
            vehicle=name,
            account=_account(pipeline.trucks.get(name), settings.courses(name, ())),
            quarantined=quarantined.get(name, 0),
        )
        for name in sorted(set(pipeline.trucks) | set(quarantined))
    ]
    found.sort(key=lambda t: (t.time_ms, t.vehicle, t.kind, t.onset_ms, not t.active))
    return Result(
        transitions=tuple(found),
        trucks=tuple(trucks),
        messages=pipeline.counts.messages,
        future=future,
        refused_lines=reader.refused_lines,
        cut_short=reader.cut_short,
    )


def _quarantined(conn: sqlite3.Connection) -> dict[str, int]:
    """Count the samples refused of each truck; one that came twice counts once."""
    counted: Counter[str] = Counter()
    rows = conn.execute("SELECT vehicle, reason, detail FROM quarantine WHERE vehicle NOT NULL")
    for vehicle, reason, detail in rows:
        # Where a payload holds very many, the rest of them is one entry that says how many.
        counted[vehicle] += int(detail.split()[0]) if reason == "more_bad_samples" else 1
    return counted


def _account(truck: Held | None, course: Course) -> Statement:
    """Give a truck's account; that of one that sent nothing good is empty."""
    state = blank(STATE) if truck is None else truck.state
    return statement(course.now(state).account, record(state).truck.account)


def _still_silent(truck: Held, silent_after_s: float, newest_ms: int) -> Iterator[Transition]:
    """A truck that fell silent while it moved, and is so at the newest sample of all trucks."""
    onset_ms = silence.trailing_onset_ms(
        truck.last_ms,
        moving=bool(record(truck.state).truck.latest.moving),
        silent_after_s=silent_after_s,
        now_ms=newest_ms,
    )
    if onset_ms is not None:
        yield Transition(
            vehicle=truck.name,
            kind=silence.KIND,
            time_ms=onset_ms,
            onset_ms=onset_ms,
            active=True,
            priority=Priority.MEDIUM,
            probability=1.0,
            evidence={"quiet_minutes": (newest_ms - truck.last_ms) / 60_000.0},
        )
