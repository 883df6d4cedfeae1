"""The service record beside a running daemon: what is entered counts within seconds, back-dated too."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from deploy.database import read_only
from deploy.desk import desk_of
from ingest import journal, record
from ingest.held import unpack
from models.course import run
from models.kernel import STATE
from models.layout import blank
from models.units import rfc3339
from tests.brokers import need_mosquitto
from tests.e2e.scene import HOURS, RATE, SEED, TRUCK, ending_now
from tests.torture.child import COMMAND, PATIENCE_S
from tests.torture.ledger import time_ms
from tests.torture.material import material, only
from tests.torture.rig import Rig, rig

pytestmark = pytest.mark.timeout(240)


@dataclass(slots=True, kw_only=True)
class Shop:
    """A daemon that has taken in a day of one truck and goes on running."""

    rig: Rig
    first_ms: int
    last_ms: int

    def run(self, *words: str) -> str:
        """Run a fleet command as a process of its own."""
        done = subprocess.run(  # noqa: S603 - our own command
            [*COMMAND, "fleet", *words, "--config", str(self.rig.child.config)],
            capture_output=True,
            text=True,
            check=False,
            timeout=PATIENCE_S,
        )
        assert done.returncode == 0, done.stderr
        assert self.rig.child.running
        return done.stdout + done.stderr

    def account(self) -> Any:
        """Give the account as the store has it."""
        (line,) = self.run("list", "--json").splitlines()
        return json.loads(line)["account"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    need_mosquitto()
    stock = ending_now(only(material(SEED, hours=HOURS), [TRUCK]))
    with rig(tmp_path_factory.mktemp("shop"), stock, real_clock=True) as parts:
        parts.listen()
        gateways = parts.load(SEED, rate=RATE, waits=True)
        parts.child.wait_for(lambda: not gateways.at_work, "the day")
        gateways.finish()
        parts.child.wait_for(gateways.drained, "the gateway to get rid of its samples")
        parts.child.wait_for(parts.has_all, "the daemon to store everything")
        times = [time_ms(sample) for _, sample in stock.samples]
        yield Shop(rig=parts, first_ms=min(times), last_ms=max(times))
        assert parts.child.stop() == 0
        _check_against_a_run_alone(parts)


def _check_against_a_run_alone(parts: Rig) -> None:
    """The state on file is that of all samples and entries, each taken once in order of time."""
    reader = desk_of(parts.child.config).reader
    with read_only(parts.child.store) as conn:
        entries = record.effective(conn, TRUCK, taken_only=True)
        assert entries == record.effective(conn, TRUCK)
        ((vehicle_id, on_file),) = conn.execute("SELECT vehicle_id, state FROM vehicle_state")
        samples = journal.read(conn, vehicle_id=vehicle_id, first_ms=0, last_ms=2**62)
    state = blank(STATE)
    run(reader.courses(TRUCK, entries), state, samples)
    assert unpack(on_file).tobytes() == state.tobytes()


def test_a_pan_drop_counts_within_seconds_while_the_daemon_runs(shop: Shop) -> None:
    before = shop.account()
    assert before["life_used"] > 0.0
    said = shop.run("pan-drop", TRUCK, "--volume", "4.5L", "--filter", "--who", "Kim")
    assert "does not count yet" not in said
    assert "Life used before" in said
    after = shop.account()
    total_l = desk_of(shop.rig.child.config).fleet.vehicle(TRUCK).fluid_total_l
    left = 1.0 - 4.5 / total_l
    assert after["life_used"] == pytest.approx(left * before["life_used"], rel=1e-9)


def test_back_dated_work_runs_the_account_again(shop: Shop) -> None:
    before = shop.account()
    middle = rfc3339((shop.first_ms + shop.last_ms) // 2)
    shop.run("exchange", TRUCK, "--at", middle, "--who", "Kim", "--note", "found in the log")
    after = shop.account()
    assert after["life_used"] < before["life_used"]
    assert after["started_ms"] == (shop.first_ms + shop.last_ms) // 2
    number = json.loads(shop.run("history", TRUCK, "--json").splitlines()[-1])["id"]
    shop.run("strike", str(number), "--note", "another truck")
    assert shop.account() == before


def test_a_file_is_taken_in_beside_the_daemon(shop: Shop, tmp_path: Path) -> None:
    file = tmp_path / "work.csv"
    day = rfc3339(shop.first_ms + 60_000)
    file.write_text(f"vehicle,kind,time,who\n{TRUCK},filter,{day},Lee\n")
    before = shop.account()
    assert "New entries: 1, of trucks: 1." in shop.run("import", str(file))
    assert "In the record already: 1." in shop.run("import", str(file))
    assert shop.account()["life_used"] == before["life_used"]
    assert "Lee" in shop.run("history", TRUCK)
