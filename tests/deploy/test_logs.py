"""What the daemon writes on standard error, in a process of its own: form, level, journal, repeats."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import structlog

from deploy.log_repeats import ALIKE, SPAN_S, Repeats

SAYS = """
import logging, structlog
from deploy import logs
logs.set_up({level!r}, {form!r})
log = structlog.get_logger()
log.debug("store.recovered", nth=0)
log.info("store.recovered", nth=1)
log.error("store.failed", reason="two\\nlines")
logging.getLogger("another.package").warning("it is %s", "odd")
logging.getLogger("another.package").info("chatter")
try:
    1 / 0
except ZeroDivisionError:
    log.exception("job.failed", job="digest")
"""


def said(level: str, form: str, err: Path, env: dict[str, str]) -> str:
    with err.open("wb") as file:
        subprocess.run(  # noqa: S603 - our own command
            [sys.executable, "-c", SAYS.format(level=level, form=form)],
            stderr=file,
            check=True,
            env={**os.environ, **env},
        )
    return err.read_text()


def test_json_is_one_object_a_line_with_time_in_utc(tmp_path: Path) -> None:
    lines = said("info", "auto", tmp_path / "err", {}).splitlines()
    found = [json.loads(line) for line in lines]
    assert [each["event"] for each in found] == [
        "store.recovered",
        "store.failed",
        "library.said",
        "job.failed",
    ]
    assert [each["level"] for each in found] == ["info", "error", "warning", "error"]
    for each in found:
        # RFC 3339 section 5.6: this parser takes it, and it ends in Z.
        at = datetime.fromisoformat(each["timestamp"])
        assert at.utcoffset() == timedelta(0)
        assert each["timestamp"].endswith("Z")
    assert (found[2]["library"], found[2]["words"]) == ("another.package", "it is odd")
    assert "ZeroDivisionError" in found[3]["exception"]


def test_lines_are_for_people_and_the_level_counts(tmp_path: Path) -> None:
    text = said("warning", "lines", tmp_path / "err", {})
    assert "store.recovered" not in text
    assert "store.failed" in text
    assert "\x1b[" not in text
    assert "store.recovered" in said("debug", "lines", tmp_path / "err2", {})


@pytest.mark.parametrize("form", ["lines", "json"])
def test_in_the_journal_every_line_has_its_priority(tmp_path: Path, form: str) -> None:
    err = tmp_path / "err"
    err.touch()
    # What systemd sets where a stream leads to the journal (systemd.exec(5)): its device and inode.
    at = err.stat()
    text = said("info", form, err, {"JOURNAL_STREAM": f"{at.st_dev}:{at.st_ino}"})
    lines = text.splitlines()
    assert all(line[0] == "<" and line[2] == ">" for line in lines)
    by_event = {
        event: {line[1] for line in lines if event in line}
        for event in ("store.recovered", "store.failed", "library.said")
    }
    # syslog(3): 6 is info, 3 err, 4 warning.
    assert by_event == {"store.recovered": {"6"}, "store.failed": {"3"}, "library.said": {"4"}}


def test_elsewhere_there_is_no_priority(tmp_path: Path) -> None:
    assert not said("info", "json", tmp_path / "err", {"JOURNAL_STREAM": "1:2"}).startswith("<")


class Stopwatch:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_what_repeats_is_left_out_and_counted() -> None:
    clock = Stopwatch()
    repeats = Repeats(clock)
    written = []
    for nth in range(100):
        clock.now_s = nth * 0.1
        for reason in ("disk", "lock") if nth == 7 else ("disk",):
            try:
                event = {"event": "store.failed", "reason": reason}
                written.append(repeats(None, "error", event))
            except structlog.DropEvent:
                continue
    assert [each["reason"] for each in written] == ["disk"] * ALIKE + ["lock"]
    clock.now_s += SPAN_S
    after = repeats(None, "error", {"event": "store.failed", "reason": "disk"})
    assert after["left_out"] == 100 - ALIKE
