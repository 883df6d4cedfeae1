"""What a replay makes of files: cut short, empty, junk, huge."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.replay import Reader, UnreadableCapture
from tests.deploy.captures import (
    DAY,
    ROOT,
    Run,
    fleet_messages,
    lines,
    replayed,
)
from tests.recorded import NOON_MS, message


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
from review.model_version import keep_compiled
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


@pytest.mark.parametrize("packed", [False, True])
def test_a_line_that_no_memory_holds_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool
) -> None:
    """A small compressed file may hold it."""
    monkeypatch.setattr("deploy.replay.LONGEST_LINE", 1_000)
    good = b'{"topic":"fleet/NF-01/telemetry","payload":1}\n'
    exact = b'{"topic":"' + b"x" * (1_000 - 25) + b'","payload":1}'
    assert len(exact) == 999
    bombs = (b" " * 5_000_000, b"x" * 1_000, b"x" * 999 + b"\n" + good[:20])
    data = b"\n".join([good[:-1], bombs[0], exact, bombs[1], good[:-1], bombs[2]])
    path = tmp_path / "capture"
    path.write_bytes(gzip.compress(data) if packed else data)
    reader = Reader(path)
    topics = [message.topic for message in reader]
    reader.close()
    assert [topic[:1] for topic in topics] == ["f", "x", "f"]
    assert reader.refused_lines == 4
