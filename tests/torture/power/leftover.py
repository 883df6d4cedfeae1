"""What a power cut has left, looked at with the daemon's own code: is it whole, and is it right?"""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
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


def in_memory() -> Path | None:
    """Give a folder in memory, None where there is none: images by the thousand need no disk."""
    folder = Path("/dev/shm")
    return folder if folder.is_dir() else None


def put(image: Mapping[str, bytes], folder: Path) -> None:
    """Have a folder hold an image and nothing else."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name, content in image.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def key_of(image: Mapping[str, bytes]) -> bytes:
    """Name an image by what it holds."""
    parts = (
        name.encode() + hashlib.blake2b(content).digest()
        for name, content in sorted(image.items())
    )
    return hashlib.blake2b(b"".join(parts)).digest()


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
        self._computed: set[int] = set()

    @property
    def different(self) -> int:
        """How many images differed."""
        return len(self._known)

    def look(self, image: Mapping[str, bytes]) -> Left:
        """Look at what a cut has left."""
        key = key_of(image)
        if key not in self._known:
            self._known[key] = self._open(image)
        return self._known[key]

    def _open(self, image: Mapping[str, bytes]) -> Left:
        put(image, self._scratch)
        try:
            return self._examine(self._scratch / self._name)
        except (StoreError, ArchiveError, sqlite3.Error, ValueError, OSError) as error:
            return Left(damage=(f"{type(error).__name__}: {error}",))

    def _examine(self, store: Path) -> Left:
        """Take the store up twice: as the daemon does, and so that all is computed anew from the samples."""
        left = Left()
        with closing(Database(store, synchronous="off")) as database:
            with database.read() as conn:
                sound = conn.execute("PRAGMA integrity_check").fetchone()[0]
                if sound != "ok":
                    raise StoreError(f"integrity_check: {sound}")
            states, transitions = self._take_up(database, self._rules)
            with database.read() as conn:
                for number, name in conn.execute("SELECT id, name FROM vehicle").fetchall():
                    self._rows(conn, number, name, left)
                sent = conn.execute("SELECT id FROM sending").fetchall()
                left.notices = frozenset(one for (one,) in sent)
                left.damage = tuple(_archive(conn, left))
            # The same samples, states and transitions need not be computed again for another image.
            come_to = hash((*left.times.items(), *states.items(), repr(transitions)))
            if come_to not in self._computed:
                left.damage += self._compute_anew(database, states, transitions)
                self._computed |= {come_to} if not left.damage else set()
        return left

    def _compute_anew(
        self,
        database: Database,
        states: Mapping[str, bytes],
        transitions: Sequence[Transition],
    ) -> tuple[str, ...]:
        anew = replace(self._rules, model_version="anew")
        states_anew, transitions_anew = self._take_up(database, anew)
        wrong = [name for name, state in states.items() if state != states_anew.get(name)]
        return (
            *([f"another account from the same samples: {', '.join(wrong)}"] if wrong else ()),
            *(["other transitions from the same samples"] * (transitions != transitions_anew)),
        )

    def _take_up(
        self, database: Database, rules: Rules
    ) -> tuple[dict[str, bytes], list[Transition]]:
        pipeline = Pipeline(
            database,
            registered=self._registered,
            courses=self._courses,
            rules=rules,
            now_ms=self._now_ms,
        )
        pipeline.load()
        stopped = [name for name, truck in pipeline.trucks.items() if truck.stopped]
        if stopped:
            raise StoreError(f"not computed: {', '.join(stopped)}")
        states = {name: truck.state.tobytes() for name, truck in pipeline.trucks.items()}
        with database.read() as conn:
            return states, told.history(conn)

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
