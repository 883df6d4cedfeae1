"""The replay command: what it prints, what it accepts, and that it is the live daemon over again."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

import deploy
from deploy.replay import Reader, ReplaySettings, UnreadableCapture, json_lines, replay
from deploy.trucks import params_of
from ingest.decoded import WireRules
from ingest.message import Message
from models.account import statement
from models.fleet import Fleet, Limits, Vehicle
from models.kernel import KINDS
from models.layout import record
from tests.deploy.store import kept, pipeline, store, story
from tests.recorded import HOUR_MS, NOON_MS, climb, message

ROOT = Path(deploy.__file__).parent.parent
FLEET_FILE = """
[vehicles.NF-01]
circuit = "thermostatic_bypass"
class = "medium"
installed_odometer_km = 49000.0
limits = { service_distance_km = 1100.0, over_temperature_c = 115.0 }
"""
FLEET = Fleet(
    vehicles={
        "NF-01": Vehicle(
            name="NF-01",
            title="NF-01",
            installed_odometer_km=49_000.0,
            limits=Limits(service_distance_km=1_100.0, over_temperature_c=115.0),
        )
    }
)
NOW_MS = NOON_MS + 86_400_000
DAY = climb(200, slope_k_min=0.6) + climb(90, start_ms=NOON_MS + 5 * HOUR_MS, start_c=80.0)


def lines(messages: Sequence[Message], *, as_text: bool = False) -> list[bytes]:
    """Write messages as lines of a capture."""
    return [
        json.dumps(
            {
                "topic": one.topic,
                "payload": one.payload.decode() if as_text else json.loads(one.payload),
            }
        ).encode()
        + b"\n"
        for one in messages
    ]


def fleet_messages() -> list[Message]:
    """Objects and arrays, two trucks by turns, a status, bad samples, a conflict."""
    found: list[Message] = []
    for position in range(0, len(DAY), 10):
        found.append(message("NF-01", DAY[position : position + 10]))
        found.append(message("NF-02", DAY[position : position + 1]))
    found[7:7] = [
        Message(topic="fleet/NF-02/status", payload=b'{"online":true,"time":1767268800}'),
        Message(topic="fleet/NF-02/telemetry", payload=b'{"time":1767268800,"gear":99}'),
        message("NF-01", [{**DAY[3], "fluid_temp_c": 60.0}]),
    ]
    return found


Run = Callable[..., subprocess.CompletedProcess[bytes]]


@pytest.fixture
def heatbook(tmp_path: Path) -> Run:
    """Runs the command line in a process of its own, in an empty folder."""
    home = tmp_path / "home"
    home.mkdir()

    def run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
        kept_env = ("PATH", "HOME", "XDG_CACHE_HOME", "CACHE_DIRECTORY", "LANG")
        env = {name: os.environ[name] for name in kept_env if name in os.environ}
        code = "import sys; from deploy.cli import main; main()"
        return subprocess.run(  # noqa: S603 -- our own command
            [sys.executable, "-c", code, *arguments],
            cwd=home,
            env={**env, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=False,
        )

    return run


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "capture.jsonl"
    path.write_bytes(b"".join(lines(fleet_messages())))
    return path


@pytest.fixture
def fleet_file(tmp_path: Path) -> Path:
    path = tmp_path / "fleet.toml"
    path.write_text(FLEET_FILE)
    return path


def settings(now_ms: int = NOW_MS) -> ReplaySettings:
    return ReplaySettings(
        params_of=params_of(FLEET, max_gap_s=300.0, silent_after_s=900.0),
        wire=WireRules(),
        model_version="tests",
        silent_after_s=900.0,
        now_ms=lambda: now_ms,
    )


def replayed(path: Path) -> list[dict[str, Any]]:
    reader = Reader(path)
    try:
        return [json.loads(line) for line in json_lines(replay(reader, settings()))]
    finally:
        reader.close()


ALARM = ["type", "time", "vehicle", "alarm", "state", "priority", "probability", "evidence"]
ACCOUNT = [
    "type",
    "vehicle",
    "life_used",
    "equivalent_hours",
    "mean_kinetic_temp_c",
    "distance_km",
    "unseen_km",
    "samples",
    "quarantined",
]


def test_json_lines_as_the_contract_has_them(
    heatbook: Run, capture: Path, fleet_file: Path
) -> None:
    done = heatbook("replay", str(capture), "--json", "--fleet", str(fleet_file))
    assert (done.returncode, done.stderr) == (0, b"")
    entries = [json.loads(line) for line in done.stdout.splitlines()]
    alarms = [entry for entry in entries if entry["type"] == "alarm"]
    accounts = [entry for entry in entries if entry["type"] == "account"]
    assert entries == alarms + accounts
    assert all(list(entry) == ALARM for entry in alarms)
    assert all(list(entry) == ACCOUNT for entry in accounts)
    assert [entry["time"] for entry in alarms] == sorted(entry["time"] for entry in alarms)
    assert all(entry["time"].endswith("Z") for entry in alarms)
    assert {entry["alarm"] for entry in alarms} == {
        "over_temperature",
        "bypass_stuck",
        "service_due",
        "gateway_silent",
    }
    assert {entry["state"] for entry in alarms} == {"active", "normal"}
    assert {entry["priority"] for entry in alarms} <= {"low", "medium", "high", "critical"}
    assert all(0.0 <= entry["probability"] <= 1.0 for entry in alarms)
    assert all(entry["evidence"] for entry in alarms)
    assert [entry["vehicle"] for entry in accounts] == ["NF-01", "NF-02"]
    assert accounts[0]["samples"] == len(DAY)
    assert [entry["quarantined"] for entry in accounts] == [1, 1]
    assert set(KINDS) >= {entry["alarm"] for entry in alarms}


def test_the_command_prints_what_the_library_gives(
    heatbook: Run, capture: Path, fleet_file: Path
) -> None:
    done = heatbook("replay", str(capture), "--json", "--fleet", str(fleet_file))
    assert [json.loads(line) for line in done.stdout.splitlines()] == replayed(capture)


def test_without_json_a_person_reads_a_table(
    heatbook: Run, capture: Path, fleet_file: Path
) -> None:
    done = heatbook("replay", str(capture), "--fleet", str(fleet_file))
    assert done.returncode == 0
    assert b"NF-01" in done.stdout
    assert b'"type"' not in done.stdout


@pytest.mark.parametrize(
    "form", ["text", "gzip", "gzip text", "blank lines", "no last newline"]
)
def test_every_form_of_a_capture_reads_the_same(
    tmp_path: Path, capture: Path, form: str
) -> None:
    body = b"".join(lines(fleet_messages(), as_text="text" in form))
    if form == "blank lines":
        body = body.replace(b"\n", b"\n\n  \n")
    if form == "no last newline":
        body = body.rstrip()
    other = tmp_path / "other"
    other.write_bytes(gzip.compress(body) if "gzip" in form else body)
    assert replayed(other) == replayed(capture)


def test_other_fields_of_a_line_are_left_alone(tmp_path: Path, capture: Path) -> None:
    body = capture.read_bytes().replace(b'{"topic"', b'{"qos": 1, "at": "x", "topic"')
    other = tmp_path / "other"
    other.write_bytes(body)
    assert replayed(other) == replayed(capture)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_shuffled_capture_gives_the_same_bytes(
    tmp_path: Path, capture: Path, seed: int
) -> None:
    shuffled = lines(fleet_messages())
    shuffled += shuffled[::5]
    Random(seed).shuffle(shuffled)
    other = tmp_path / "other"
    other.write_bytes(b"".join(shuffled))
    assert replayed(other) == replayed(capture)


def test_the_live_pipeline_and_the_replay_agree(tmp_path: Path, capture: Path) -> None:
    with store(tmp_path) as database:
        live = pipeline(database, params=settings().params_of, now_ms=NOW_MS)
        for one in fleet_messages():
            live.commit([one])
        _, found, _ = kept(database)
        accounts = {
            name: statement(record(held.params).account, record(held.state).truck.account)
            for name, held in live.trucks.items()
        }
    reader = Reader(capture)
    result = replay(reader, settings())
    reader.close()
    assert story(result.transitions) == found
    assert {truck.vehicle: truck.account for truck in result.trucks} == accounts


def test_a_truck_that_fell_silent_before_the_end_is_reported(tmp_path: Path) -> None:
    # NF-02 moves to its last sample, an hour before the other's.
    messages = [message("NF-01", climb(90)), message("NF-02", climb(30))]
    path = tmp_path / "capture"
    path.write_bytes(b"".join(lines(messages)))
    (alarm,) = [one for one in replayed(path) if one.get("alarm") == "gateway_silent"]
    assert (alarm["vehicle"], alarm["state"]) == ("NF-02", "active")
    assert alarm["time"] == "2026-01-01T12:44:00.000Z"
    assert alarm["evidence"] == {"quiet_minutes": 60.0}


def test_a_number_that_is_not_known_is_null(tmp_path: Path) -> None:
    path = tmp_path / "capture"
    path.write_bytes(b"".join(lines([message("NF-01", [{"time_ms": NOON_MS, "gear": 1.0}])])))
    (account,) = replayed(path)
    assert account["mean_kinetic_temp_c"] is None


def test_a_capture_cut_short_gives_what_it_held(
    heatbook: Run, tmp_path: Path, fleet_file: Path
) -> None:
    whole = gzip.compress(b"".join(lines(fleet_messages())))
    path = tmp_path / "capture.gz"
    path.write_bytes(whole[: len(whole) // 2])
    done = heatbook("replay", str(path), "--json", "--fleet", str(fleet_file))
    assert done.returncode == 1
    accounts = [
        one for one in map(json.loads, done.stdout.splitlines()) if one["type"] == "account"
    ]
    assert 0 < accounts[0]["samples"] < len(DAY)
    (said,) = done.stderr.decode().splitlines()
    assert "ends early" in said


def test_an_empty_capture_is_read_to_its_end(heatbook: Run, tmp_path: Path) -> None:
    path = tmp_path / "empty"
    path.write_bytes(b"")
    done = heatbook("replay", str(path), "--json")
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


UNREADABLE: dict[str, bytes] = {
    "junk": bytes(range(256)) * 40,
    "text": b"this is a letter\nand no capture\n",
    "json of something else": b'{"a": 1}\n[1, 2]\n',
    "broken gzip": b"\x1f\x8b" + bytes(range(200)),
    "gzip of junk": gzip.compress(bytes(range(256)) * 40),
}


@pytest.mark.parametrize("name", sorted(UNREADABLE))
def test_what_is_no_capture_ends_with_one_line_and_two(
    heatbook: Run, tmp_path: Path, name: str
) -> None:
    path = tmp_path / "junk"
    path.write_bytes(UNREADABLE[name])
    done = heatbook("replay", str(path), "--json")
    assert (done.returncode, done.stdout) == (2, b"")
    (said,) = done.stderr.decode().splitlines()
    assert said.startswith("cannot replay ")


@pytest.mark.parametrize("what", ["missing", "folder"])
def test_what_cannot_be_opened_ends_with_one_line_and_two(
    heatbook: Run, tmp_path: Path, what: str
) -> None:
    path = tmp_path / what
    if what == "folder":
        path.mkdir()
    done = heatbook("replay", str(path), "--json")
    assert (done.returncode, done.stdout) == (2, b"")
    assert len(done.stderr.decode().splitlines()) == 1


def test_lines_that_are_none_are_counted_and_passed_over(
    heatbook: Run, tmp_path: Path, capture: Path, fleet_file: Path
) -> None:
    good = capture.read_bytes().splitlines(keepends=True)
    bad = [
        b"{\n",
        b'{"topic": 5, "payload": {}}\n',
        b'"text"\n',
        b"\xff\xfe\n",
        b"[" * 9999 + b"\n",
    ]
    path = tmp_path / "mixed"
    path.write_bytes(b"".join([good[0], *bad, *good[1:]]))
    done = heatbook("replay", str(path), "--json", "--fleet", str(fleet_file))
    clean = heatbook("replay", str(capture), "--json", "--fleet", str(fleet_file))
    assert (done.returncode, done.stdout) == (0, clean.stdout)
    (said,) = done.stderr.decode().splitlines()
    assert said.startswith("5 lines ")


@pytest.mark.parametrize(
    "payload", ['"not json at all"', '"{\\"time\\": 1767268800"', "5", "null", "[]", '""']
)
def test_a_bad_payload_goes_to_quarantine_and_is_counted(tmp_path: Path, payload: str) -> None:
    good = lines([message("NF-01", DAY[:3])])
    bad = f'{{"topic":"fleet/NF-01/telemetry","payload":{payload}}}\n'.encode()
    path = tmp_path / "capture"
    path.write_bytes(b"".join([*good, bad]))
    (account,) = [one for one in replayed(path) if one["type"] == "account"]
    assert (account["samples"], account["quarantined"]) == (3, 1)


def test_the_reader_says_why_a_file_is_no_capture(tmp_path: Path) -> None:
    with pytest.raises(UnreadableCapture, match="No such file"):
        Reader(tmp_path / "missing")


def long_capture(samples: int) -> Iterator[bytes]:
    """Ten trucks by turns, a sample a second, a hundred samples a line."""
    for start in range(0, samples // 10, 100):
        for truck in range(10):
            body = ",".join(
                f'{{"time":{NOON_MS // 1000 + second},"fluid_temp_c":{80 + second % 7},'
                f'"speed_km_h":60,"ambient_temp_c":20}}'
                for second in range(start, start + 100)
            )
            yield f'{{"topic":"fleet/T-{truck}/telemetry","payload":[{body}]}}\n'.encode()


PEAK = """
import resource, sys
from deploy.model_version import keep_compiled
keep_compiled()
from deploy.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
"""


def peak_mib(path: Path) -> float:
    """Replay in a process of its own; give its largest memory."""
    done = subprocess.run(  # noqa: S603 -- our own command
        [sys.executable, "-c", PEAK, "replay", str(path), "--json"],
        cwd=path.parent,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=True,
    )
    return int(done.stderr) / 1024.0


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    peaks = []
    for samples in (300_000, 2_400_000):
        path = tmp_path / f"{samples}.gz"
        with gzip.open(path, "wb", compresslevel=1) as out:
            out.writelines(long_capture(samples))
        peaks.append(peak_mib(path))
    # Eight times the samples: if they were kept, as records or as text, it would be 250 MiB and more.
    assert peaks[1] - peaks[0] < 60.0


def test_times_are_written_to_the_millisecond(tmp_path: Path) -> None:
    odd = [{**one, "time_ms": one["time_ms"] + 7} for one in climb(90)]
    path = tmp_path / "capture"
    path.write_bytes(b"".join(lines([message("NF-01", odd)])))
    times = [one["time"] for one in replayed(path) if one["type"] == "alarm"]
    assert times
    assert all(time.endswith(".007Z") for time in times)
