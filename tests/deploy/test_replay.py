"""The replay command: what it prints, and that it is the live daemon over again."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from random import Random

import pytest

from deploy.replay import Reader, replay
from models.kernel import KINDS
from models.layout import record
from models.statement import statement
from tests.deploy.captures import (
    DAY,
    NOW_MS,
    Run,
    fleet_messages,
    lines,
    replayed,
    settings,
)
from tests.deploy.store import kept, pipeline, store, story
from tests.recorded import NOON_MS, climb, message

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
        "sensor_fault",  # the drawn climb ends at 150.0 °C to the last digit, for 23 min
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
        live = pipeline(database, courses=settings().courses, now_ms=NOW_MS)
        for one in fleet_messages():
            live.commit([one])
        _, found, _ = kept(database, settings().courses)
        accounts = {
            name: statement(
                held.course.now(held.state).account, record(held.state).truck.account
            )
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


def test_times_are_written_to_the_millisecond(tmp_path: Path) -> None:
    odd = [{**one, "time_ms": one["time_ms"] + 7} for one in climb(90)]
    path = tmp_path / "capture"
    path.write_bytes(b"".join(lines([message("NF-01", odd)])))
    times = [one["time"] for one in replayed(path) if one["type"] == "alarm"]
    assert times
    assert all(time.endswith(".007Z") for time in times)
