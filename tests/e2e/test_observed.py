"""A daemon as those who watch it see it: health, figures, the service manager; real broker and process.

The figures are held against what was sent, what the store holds, and Prometheus' own tools.
"""

from __future__ import annotations

import json
import re
import shutil
import socket
import sqlite3
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from prometheus_client import Metric
from prometheus_client.parser import text_string_to_metric_families

from deploy.broker import RunningBroker, start_broker
from deploy.clock import wall_ms
from deploy.metrics.families import FAMILIES
from tests.alerts.far_side import free_port
from tests.brokers import ChildBroker, need_mosquitto, peer
from tests.torture.child import Child

pytestmark = pytest.mark.timeout(240)

SETTINGS = """
[mqtt]
host = "127.0.0.1"
port = {broker}
reconnect_min_s = 0.1
reconnect_max_s = 0.5
[store]
path = "{store}"
[health]
port = {port}
[watch]                 # no disk has so much room
disk_short_mb = 1e9
disk_urgent_mb = 1.0
"""


@dataclass(slots=True, kw_only=True)
class Watched:
    """A running daemon and who watches it."""

    child: Child
    broker: RunningBroker
    port: int
    manager: socket.socket
    heard: list[str]

    def get(self, path: str) -> httpx.Response:
        return httpx.get(f"http://127.0.0.1:{self.port}{path}", timeout=10)

    def status(self, path: str) -> int:
        try:
            return self.get(path).status_code
        except httpx.TransportError:
            return 0

    def figures(self) -> dict[str, Metric]:
        text = self.get("/metrics").text
        return {each.name: each for each in text_string_to_metric_families(text)}

    def number(self, name: str, labels: Mapping[str, str] | None = None) -> float:
        """Give the sum of a figure over the labels that are not named."""
        wanted = (labels or {}).items()
        return sum(
            sample.value
            for metric in self.figures().values()
            for sample in metric.samples
            if sample.name == name and wanted <= sample.labels.items()
        )

    def told(self) -> list[str]:
        """Give all that the service manager has heard so far."""
        while True:
            try:
                self.heard += self.manager.recv(65_536).decode().splitlines()
            except BlockingIOError:
                return self.heard


@contextmanager
def watched(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Watched]:
    need_mosquitto()
    with ExitStack() as stack:
        manager = stack.enter_context(closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)))
        manager.bind(str(folder / "notify"))
        manager.setblocking(False)
        broker = start_broker("mosquitto", directory=folder / "broker")
        stack.callback(broker.kill)
        # Only now: mosquitto would tell the service manager that it is ready, too.
        monkeypatch.setenv("NOTIFY_SOCKET", str(folder / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "2000000")
        port = free_port()
        store = folder / "heatbook.db"
        child = Child(
            folder=folder,
            settings=SETTINGS.format(broker=broker.port, store=store, port=port),
        )
        stack.callback(child.abandon)
        child.start()
        one = Watched(child=child, broker=broker, port=port, manager=manager, heard=[])
        child.wait_for(lambda: one.status("/readyz") == 200, "the daemon ready")
        yield one


def send(one: Watched, truck: str, bodies: list[object], *, raw: bytes | None = None) -> None:
    with peer(ChildBroker(one.broker)) as sender:
        payload = raw if raw is not None else json.dumps(bodies).encode()
        sender.publish(f"fleet/{truck}/telemetry", payload)


def sample(age_s: float, **values: object) -> dict[str, object]:
    return {"time": wall_ms() // 1000 - age_s, "fluid_temp_c": 80.0, **values}


@pytest.fixture
def one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Watched]:
    with watched(tmp_path, monkeypatch) as found:
        yield found


def test_it_is_seen_from_outside_from_its_start_to_its_end(one: Watched) -> None:
    _the_counters_add_up(one)
    _it_says_of_itself_that_the_disk_is_short(one)
    _prometheus_takes_the_figures(one)
    _only_reading_is_possible(one)
    _a_locked_store_is_alive_and_not_ready(one)
    _without_its_broker_it_is_alive_and_not_ready(one)
    told = one.told()
    assert told.count("READY=1") == 1
    assert any(
        line.startswith("EXTEND_TIMEOUT_USEC=") for line in told[: told.index("READY=1")]
    )
    assert one.child.stop() == 0
    assert "STOPPING=1" in one.told()


def _the_counters_add_up(one: Watched) -> None:
    """Invariant I6: received = stored + repeated + refused, each as it is known from elsewhere."""
    good = [sample(600 - 10 * nth, seq=nth) for nth in range(40)]
    send(one, "NF-01", list(good))
    send(one, "NF-01", list(good[:15]))  # the same again
    send(one, "NF-02", [sample(100), sample(50, fluid_temp_c=9_999.0), sample(20)])
    one.child.wait_for(
        lambda: one.number("heatbook_messages_settled_total") >= 3, "the first messages"
    )
    send(one, "NF-02", [sample(3_000)])  # late: what is newer is committed
    send(one, "NF-02", [], raw=b"no JSON at all")
    offered, stored, repeated, late = 40 + 15 + 3 + 1 + 1, 40 + 2 + 1, 15, 1
    one.child.wait_for(
        lambda: one.number("heatbook_messages_settled_total") >= 5, "the messages"
    )
    figures = {
        name: one.number(f"heatbook_samples_{name}_total")
        for name in ("received", "stored", "repeated", "refused", "late")
    }
    assert figures == {
        "received": offered,
        "stored": stored,
        "repeated": repeated,
        "refused": 2,
        "late": late,
    }
    refused = {
        reason: one.number("heatbook_samples_refused_total", {"reason": reason})
        for reason in ("out_of_range", "not_json")
    }
    assert refused == {"out_of_range": 1, "not_json": 1}
    assert one.child.count("SELECT sum(samples) FROM journal") == stored
    assert one.child.count("SELECT sum(times) FROM quarantine") == 2
    assert one.number("heatbook_messages_received_total") == 5
    one.child.wait_for(
        lambda: one.number("heatbook_messages_acknowledged_total") == 5, "the acknowledgements"
    )
    assert one.number("heatbook_messages_in_flight") == 0
    assert one.number("heatbook_trucks") == 2
    commits = one.number("heatbook_commit_messages_count")
    assert one.number("heatbook_commit_messages_sum") == 5
    assert commits == one.number("heatbook_commit_duration_seconds_count")
    # Each commit of a truck's samples gives one age; the youngest was 20 s old, the oldest 600 - 390 s.
    assert one.number("heatbook_sample_lag_seconds_bucket", {"le": "10"}) == 0
    assert one.number("heatbook_sample_lag_seconds_count") >= 2


def _it_says_of_itself_that_the_disk_is_short(one: Watched) -> None:
    kind = {"kind": "disk_short"}
    one.child.wait_for(
        lambda: one.number("heatbook_own_alarms_standing", kind) == 1, "an alarm of its own"
    )
    # By the same way as any other: here the channel that every daemon has, its log.
    tried = {"channel": "log", "outcome": "delivered"}
    one.child.wait_for(
        lambda: one.number("heatbook_notice_attempts_total", tried) == 1, "the notice"
    )
    assert "Heatbook: Little room on the disk of the store" in one.child.log
    assert one.number("heatbook_alarms_standing") == 0  # of trucks


def _prometheus_takes_the_figures(one: Watched) -> None:
    text = one.get("/metrics").text
    promtool = shutil.which("promtool")
    assert promtool is not None, "install prometheus, whose promtool checks figures and rules"
    found = subprocess.run(  # noqa: S603 - found on the path
        [promtool, "check", "metrics"], input=text, capture_output=True, text=True, check=False
    )
    assert (found.returncode, found.stderr) == (0, "")
    ours = {
        name
        for each in text_string_to_metric_families(text)
        for name in (each.name, f"{each.name}_total")
        if name.startswith("heatbook_") and name in FAMILIES
    }
    # Those of a feeder and of channels are there when there is one.
    missing = {name for name in set(FAMILIES) - ours if "influx" not in name}
    assert missing <= {"heatbook_notices_waiting", "heatbook_notices_oldest_age_seconds"}
    assert "process_resident_memory_bytes" in text
    assert "NF-0" not in text
    labels = {
        label for each in one.figures().values() for s in each.samples for label in s.labels
    }
    assert labels <= {label for each in FAMILIES.values() for label in each.labels} | {"le"}


def _only_reading_is_possible(one: Watched) -> None:
    for method in ("POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH"):
        answer = httpx.request(method, f"http://127.0.0.1:{one.port}/metrics")
        assert (answer.status_code, answer.headers["allow"]) == (405, "GET")
    assert one.status("/") == 404
    assert one.status("/metrics/../etc/passwd") == 404
    assert one.get("/livez").text == "ok\n"
    verbose = one.get("/readyz?verbose").text
    assert re.findall(r"^\[\+\] (\w+):", verbose, re.MULTILINE) == [
        "started",
        "broker",
        "store",
        "disk",
    ]
    assert one.get("/healthz").headers["server"] == "heatbook"


def _a_locked_store_is_alive_and_not_ready(one: Watched) -> None:
    with closing(sqlite3.connect(one.child.store, isolation_level=None)) as thief:
        thief.execute("BEGIN IMMEDIATE")
        send(one, "NF-01", [sample(1)])
        one.child.wait_for(lambda: one.status("/readyz") == 503, "not to be ready")
        said = one.get("/readyz").text
        assert "[-] store: the store cannot be written" in said
        assert "[+] broker" in said
        assert one.status("/livez") == 200
        pings = one.told().count("WATCHDOG=1")
        one.child.wait_for(lambda: one.told().count("WATCHDOG=1") > pings, "the watchdog fed")
        assert one.number("heatbook_store_failing_seconds") > 0
        thief.execute("ROLLBACK")
    one.child.wait_for(lambda: one.status("/readyz") == 200, "to be ready again")
    assert any("the store cannot be written" in line for line in one.told())


def _without_its_broker_it_is_alive_and_not_ready(one: Watched) -> None:
    one.broker.stop()
    one.child.wait_for(lambda: one.status("/readyz") == 503, "not to be ready")
    assert "[-] broker: the broker is away" in one.get("/readyz").text
    assert one.status("/livez") == one.status("/healthz") == 200
    one.child.wait_for(
        lambda: any(line.startswith("STATUS=the broker is away") for line in one.told()),
        "the status",
    )
