"""What reads bytes from outside, each with what must hold of it whatever they are, and bytes to begin with.

A check raises when something does not hold. Nothing in here reads a clock or draws anything.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC
from functools import partial
from itertools import islice
from pathlib import Path
from types import ModuleType

from alerts.channels import mail
from alerts.links import Address, Answer, BadLink, Links, Purpose
from deploy.fleet import load_fleet
from deploy.people_file import Known, load_people
from deploy.replay import Reader
from deploy.settings import describe, load_settings
from ingest import record_csv, record_toml
from ingest.entry import Entry
from ingest.entry_fields import RecordError
from ingest.record_row import BadRecordFile, Defaults
from models.kernel import KINDS
from review.api.cursor import Cursor, cursor_of
from review.api.refusing import Refused
from review.problems import BadSettings
from tests.bad_payloads import bad_payloads
from tests.fuzz.wire import NOW_MS, check_message

DEPLOY = Path(__file__).parents[2] / "deploy"
DEFAULTS = Defaults(who="importer", now_ms=NOW_MS)
LINKS = Links(keys=(bytes(range(32)),), lifetime_ms=10_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What is fuzzed: ``check`` raises where something does not hold of ``data``."""

    check: Callable[[bytes], None]
    seeds: Sequence[bytes]
    longest: int = 2_048


def _topic(data: bytes) -> None:
    topic, _, payload = data.partition(b"\n")
    check_message(topic.decode("utf-8", "replace"), payload)


def _as_file(data: bytes, check: Callable[[Path], None], name: str) -> None:
    with tempfile.TemporaryDirectory(dir=_MEMORY) as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        check(path)


_MEMORY = (
    "/dev/shm" if Path("/dev/shm").is_dir() else None
)  # no disk is worn by a million files


def _capture(path: Path) -> None:
    reader = Reader(path)
    try:
        for message in reader:
            assert isinstance(message.topic, str)
            assert isinstance(message.payload, bytes)
    finally:
        reader.close()
    assert reader.refused_lines >= 0


def _said(error: BadSettings) -> None:
    """Each problem says where, what, and how to mend it, in signs that a terminal can show."""
    assert error.problems
    for problem in error.problems:
        assert all((problem.path, problem.what, problem.mend)), problem


def _settings(path: Path) -> None:
    try:
        loaded = load_settings(config=path, env={}, search=())
    except BadSettings as error:
        _said(error)
    else:
        assert "mqtt.host" in describe(loaded.settings)


def _fleet(path: Path) -> None:
    with suppress(BadSettings):
        for name, vehicle in load_fleet(path, zone=UTC).vehicles.items():
            assert vehicle.name == name


_KNOWN = Known(
    channels={"smtp": mail.fault_of, "relay:sms": mail.fault_of},
    kinds=KINDS,
    groups={"NF-01": frozenset({"south"})},
)


def _people(path: Path) -> None:
    try:
        load_people(path, _KNOWN)
    except BadSettings as error:
        _said(error)


def _told(error: BadRecordFile) -> None:
    assert error.problems
    assert all(isinstance(each, RecordError) for each in error.problems)


def _entries(data: bytes, form: ModuleType) -> None:
    """What is read is the same when it is written and read again."""
    told = []
    try:
        told = form.read(data, DEFAULTS)
    except BadRecordFile as error:
        _told(error)
    entries = [
        replace(each.entry, id=number, supersedes=each.supersedes)
        for number, each in enumerate(told)
    ]
    again = form.read(form.write(entries), DEFAULTS)
    assert [_plain(each.entry, each.supersedes) for each in again] == [
        _plain(each.entry, each.supersedes) for each in told
    ]


def _plain(entry: Entry, supersedes: int | None) -> tuple[object, ...]:
    return (
        *(entry.vehicle, entry.kind, entry.time_ms, entry.who, entry.entered_ms, entry.note),
        *(dict(entry.numbers), dict(entry.words), entry.key, supersedes),
    )


_ANSWERS = (Answer(person="ines", alarm_id="a1", turn=1), Answer(sending="s1"))
_ADDRESSES = tuple(
    Address(purpose=each, scope="fleet", edition=1)
    for each in (Purpose.CALENDAR, Purpose.FIGURES)
)
_TOKENS = (
    *(LINKS.answer(each, NOW_MS) for each in _ANSWERS),
    *(LINKS.address(each) for each in _ADDRESSES),
)


def _links(data: bytes) -> None:
    """Nothing is taken but what was signed, and that for its own purpose."""
    token = data.decode("utf-8", "replace")
    with suppress(BadLink):
        assert LINKS.read_answer(token, NOW_MS) in _ANSWERS
    for purpose in (Purpose.CALENDAR, Purpose.FIGURES):
        with suppress(BadLink):
            assert LINKS.read_address(token, purpose) in _ADDRESSES


def _cursor(data: bytes) -> None:
    with suppress(Refused):
        found = cursor_of(data.decode("utf-8", "replace"))
        assert cursor_of(str(found)) == found


def _seeds(suffix: str) -> Iterator[bytes]:
    """Bad messages of one kind, and a good one."""
    yield b'[{"time":1767268800,"fluid_temp_c":90.5,"gear":4,"lockup":true,"seq":7,"vehicle":"NF-01"}]'
    yield b'{"online":true,"time":"2026-01-01T12:00:00.5+02:00"}'
    for bad in bad_payloads(NOW_MS):
        if bad.topic == f"fleet/NF-01/{suffix}" and len(bad.payload) <= 2_048:
            yield bad.payload


def _topics() -> Iterator[bytes]:
    for bad in bad_payloads(NOW_MS):
        if bad.reason in ("wrong_topic", "bad_vehicle_name"):
            yield bad.topic.encode() + b"\n" + bad.payload[:60]


def _example(name: str) -> bytes:
    return (DEPLOY / f"example-{name}.toml").read_bytes()


_CSV = (
    b"vehicle,kind,time,volume_l,note,supersedes\nNF-03,pan_drop,2026-01-01,4.5,'=x,\n"
    b"NF-03,struck,2026-01-02,,,line 2\n"
)
_TOML = b'[[entries]]\nvehicle = "NF-03"\nkind = "pan_drop"\ntime = 2026-01-01\nvolume_qt = 4\nnote = "x"\n'
_LINE = b'{"topic":"fleet/NF-01/telemetry","payload":{"time":1767268800,"fluid_temp_c":90}}\n'

TARGETS: Mapping[str, Target] = {
    "telemetry": Target(
        check=partial(check_message, "fleet/NF-01/telemetry"), seeds=[*_seeds("telemetry")]
    ),
    "status": Target(
        check=partial(check_message, "fleet/NF-01/status"), seeds=[*_seeds("status")]
    ),
    "topic": Target(check=_topic, seeds=[*islice(_topics(), 60)], longest=256),
    "capture": Target(
        check=partial(_as_file, check=_capture, name="x"),
        seeds=[_LINE, b"\x1f\x8b\x08" + _LINE],
    ),
    "settings": Target(
        check=partial(_as_file, check=_settings, name="heatbook.toml"),
        seeds=[
            b'[mqtt]\nhost = "x"\nport = 1\n[alerts.smtp]\nhost = "m"\nsender = "a@b.example"\n'
        ],
    ),
    "fleet": Target(
        check=partial(_as_file, check=_fleet, name="fleet.toml"),
        seeds=[_example("fleet")],
        longest=4_096,
    ),
    "people": Target(
        check=partial(_as_file, check=_people, name="people.toml"),
        seeds=[_example("people")],
        longest=6_000,
    ),
    "record_csv": Target(check=partial(_entries, form=record_csv), seeds=[_CSV]),
    "record_toml": Target(check=partial(_entries, form=record_toml), seeds=[_TOML]),
    "links": Target(check=_links, seeds=[each.encode() for each in _TOKENS], longest=400),
    "cursor": Target(
        check=_cursor, seeds=[str(Cursor(5, "NF-03")).encode(), b"WzEsMl0"], longest=300
    ),
}
