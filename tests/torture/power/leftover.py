"""What a power cut has left, looked at with the daemon's own code: is it whole, and is it right?"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from alerts import journal as told
from deploy.batch import Rules
from deploy.clock import clock_of
from deploy.courses import courses_by
from deploy.database import Database, StoreError
from deploy.fleet import load_fleet
from deploy.pipeline import Pipeline
from deploy.rules import rules_of
from deploy.settings import load_settings
from ingest import journal, sealed
from ingest.archive import ArchiveError, digest
from ingest.codec import decode
from models.sample import SIGNAL_NAMES
from models.transition import Transition
from tests.torture.ledger import Ledger, Values, time_ms, values


@dataclass(slots=True)
class Left:
    """What a store holds after a cut; ``damage`` says what could not be read or does not fit."""

    times: dict[str, frozenset[int]] = field(default_factory=dict)
    doubled: int = 0
    altered: int = 0
    notices: frozenset[str] = frozenset()
    months: int = 0
    damage: tuple[str, ...] = ()


class Examiner:
    """Opens images; the same one is looked at once."""

    def __init__(self, config: Path, ledger: Ledger, scratch: Path) -> None:
        settings = load_settings(config=config, env={}).settings
        assert settings.fleet.file is not None
        fleet = load_fleet(settings.fleet.file)
        self._name = settings.store.path.name
        self._registered = frozenset(fleet.vehicles)
        self._courses = courses_by(settings, fleet)
        self._rules = rules_of(settings, None)
        self._now_ms = clock_of(settings)
        self._sent = {
            vehicle: {time_ms(one): values(one, SIGNAL_NAMES) for one in truck.samples.values()}
            for vehicle, truck in ledger.trucks.items()
        }
        self._scratch = scratch
        self._known: dict[bytes, Left] = {}

    @property
    def different(self) -> int:
        """How many images differed."""
        return len(self._known)

    def look(self, image: Mapping[str, bytes]) -> Left:
        """Look at what a cut has left."""
        key = hashlib.blake2b(
            b"".join(
                name.encode() + hashlib.blake2b(content).digest()
                for name, content in sorted(image.items())
            )
        ).digest()
        if key not in self._known:
            self._known[key] = self._open(image)
        return self._known[key]

    def _open(self, image: Mapping[str, bytes]) -> Left:
        shutil.rmtree(self._scratch, ignore_errors=True)
        self._scratch.mkdir(parents=True)
        for name, content in image.items():
            path = self._scratch / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        try:
            return self._examine(self._scratch / self._name)
        except (StoreError, ArchiveError, sqlite3.Error, ValueError, OSError) as error:
            return Left(damage=(f"{type(error).__name__}: {error}",))

    def _examine(self, store: Path) -> Left:
        """Start twice: as the daemon does, and so that all is computed anew from the samples."""
        left = Left()
        first = self._start(store, self._rules)
        left.damage = self._read(store, left)
        again = self._start(store, replace(self._rules, model_version="again"))
        wrong = [name for name in first[0] if first[0][name] != again[0].get(name)]
        if wrong:
            left.damage += (f"another account from the same samples: {', '.join(wrong)}",)
        if first[1] != again[1]:
            left.damage += ("other transitions from the same samples",)
        return left

    def _start(self, store: Path, rules: Rules) -> tuple[dict[str, bytes], list[Transition]]:
        database = Database(store, synchronous="off")
        try:
            with database.read() as conn:
                sound = conn.execute("PRAGMA integrity_check").fetchone()[0]
                if sound != "ok":
                    raise StoreError(f"integrity_check: {sound}")
            pipeline = Pipeline(
                database,
                registered=self._registered,
                courses=self._courses,
                rules=rules,
                now_ms=self._now_ms,
            )
            pipeline.load()
            if any(truck.stopped for truck in pipeline.trucks.values()):
                raise StoreError("a truck could not be computed")
            states = {name: one.state.tobytes() for name, one in pipeline.trucks.items()}
            with database.read() as conn:
                return states, told.history(conn)
        finally:
            database.close()

    def _read(self, store: Path, left: Left) -> tuple[str, ...]:
        database = Database(store, synchronous="off")
        try:
            with database.read() as conn:
                for number, name in conn.execute("SELECT id, name FROM vehicle").fetchall():
                    self._rows(conn, number, name, left)
                left.notices = frozenset(
                    row[0] for row in conn.execute("SELECT id FROM sending").fetchall()
                )
                return tuple(_archive(conn, left))
        finally:
            database.close()

    def _rows(self, conn: sqlite3.Connection, number: int, name: str, left: Left) -> None:
        """Read a truck's samples from journal and archive; none may be there twice, or changed."""
        found = journal.read(conn, vehicle_id=number, first_ms=-(2**62), last_ms=2**62)
        times = found["time_ms"].tolist()
        left.times[name] = frozenset(times)
        raw: list[int] = []
        for (body,) in conn.execute("SELECT body FROM journal WHERE vehicle_id = ?", (number,)):
            raw += decode(body)["time_ms"].tolist()
        left.doubled += len(times) - len(left.times[name]) + len(raw) - len(set(raw))
        columns = zip(*(found[one].tolist() for one in SIGNAL_NAMES), strict=True)
        sent = self._sent.get(name, {})
        left.altered += sum(
            not _same(sent.get(time), row) for time, row in zip(times, columns, strict=True)
        )


def _same(sent: Values | None, row: Values) -> bool:
    """Compare by what is written, so that what is absent equals what is absent."""
    return sent is not None and repr(sent) == repr(row)


def _archive(conn: sqlite3.Connection, left: Left) -> list[str]:
    """Read every month that the store names whole, and compare its hash."""
    wrong = []
    for (number,) in conn.execute("SELECT id FROM vehicle").fetchall():
        for one in sealed.months(conn, vehicle_id=number):
            left.months += 1
            if digest(sealed.archive_of(conn).reread(one.name)) != one.digest:
                wrong.append(f"{one.name} is not what was sealed")
    return wrong
