"""One experiment's set-up: broker, receiver of notices, daemon, and gateways that load them."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from deploy.broker import RunningBroker, start_broker
from deploy.clock import wall_ms
from ingest.client import ONLINE
from ingest.entry import Entry
from simulator.northfold import DAY_S, START_MS
from tests.alerts.far_side import WebSide, web_side
from tests.brokers import ChildBroker, peer
from tests.torture.checker import Stored, Verdict, compare, stored
from tests.torture.child import Child
from tests.torture.gateways import Gateways, Habits
from tests.torture.ledger import Ledger, time_ms
from tests.torture.material import Material
from tests.torture.proxy import Proxy
from tests.torture.reference import run_reference

NOW_MS = START_MS + 2 * 1000 * DAY_S
"""What the daemon's clock reads at the start: after every sample, so that none is refused."""

USUAL_FILTERS = ("fleet/+/telemetry", "fleet/+/status")

SECRET = "whsec_bm9ydGhmb2xkLWV4YW1wbGUtc2VjcmV0LW5vdC1yZWFs"  # noqa: S105 - of the tests only


@dataclass(slots=True, kw_only=True)
class Rig:
    """The running parts, and where they keep their files."""

    folder: Path
    material: Material
    broker: RunningBroker
    web: WebSide
    child: Child
    ledger: Ledger = field(default_factory=Ledger)
    gateways: Gateways | None = None
    entries: list[Entry] = field(default_factory=list)
    """What was entered in the service record."""
    now_ms: int = NOW_MS
    line: Proxy | None = None

    def listen(self) -> None:
        """Start the daemon and wait until the broker keeps messages for it."""
        self.child.start()
        topic = "heatbook/heatbook/status"
        with peer(ChildBroker(self.broker)) as watcher:
            watcher.watch(topic)
            # It subscribes before it says that it is there, on one connection.
            self.child.wait_for(lambda: (topic, ONLINE) in watcher.heard, "the daemon online")

    def load(self, seed: int, *, rate: float, waits: bool, protocol: str = "3.1.1") -> Gateways:
        """Let the gateways begin."""
        habits = Habits(port=self.broker.port, rate=rate, waits=waits, protocol=protocol)
        self.gateways = Gateways(self.material, habits, self.ledger, seed)
        return self.gateways

    def settle(self, *, all_stored: bool = True) -> None:
        """Let the gateways finish, and the daemon take in and tell everything; then stop it."""
        gateways = self.gateways
        assert gateways is not None
        gateways.finish()
        self.child.wait_for(gateways.drained, "the gateways to get rid of their samples")
        stored_all = self.has_all if all_stored else self.has_last_words
        self.child.wait_while_committing(stored_all, "the daemon to store everything")
        self.child.wait_for(self.told_all, "the daemon to tell everything")
        code = self.child.stop()
        assert code == 0, f"the daemon ended with {code}: {self.child.log[-4000:]}"

    def has_all(self) -> bool:
        """Say whether as many samples are stored as were recorded."""
        count = self.child.count("SELECT sum(samples) FROM journal")
        return count >= self.ledger.recorded

    def has_last_words(self) -> bool:
        """Say whether each truck's last sample is stored: it was sent when no fault was left to come."""
        newest = (
            "SELECT max(last_ms) FROM (SELECT vehicle_id, last_ms FROM journal UNION ALL "
            "SELECT vehicle_id, last_ms FROM sealed) JOIN vehicle ON vehicle.id = vehicle_id "
            "WHERE name = '{}'"
        )
        return all(
            self.child.count(newest.format(name)) >= max(map(time_ms, truck.samples.values()))
            for name, truck in self.ledger.trucks.items()
        )

    def told_all(self) -> bool:
        """Say whether no notice waits."""
        return self.child.count("SELECT count(*) FROM outbox WHERE state = 'pending'") == 0

    def verdict(self) -> Verdict:
        """Compare with the ledger and with an undisturbed run."""
        live = stored(self.child.store)
        return compare(self.ledger, live, self.reference(), self.notice_ids())

    def reference(self, only_stored: set[tuple[str, int]] | None = None) -> Stored:
        """Run the recorded samples undisturbed."""
        return stored(
            run_reference(
                self.ledger,
                config=self.child.config,
                folder=self.folder / "reference",
                now_ms=self.now_ms,
                only_stored=only_stored,
                entries=self.entries,
            )
        )

    def notice_ids(self) -> list[str]:
        """Give the ids that the receiver of notices has got, in order, repeats included."""
        return [posted.headers["webhook-id"] for posted in list(self.web.posted)]


@contextmanager
def rig(
    folder: Path,
    material: Material,
    *,
    protocol: str = "5",
    more: str = "",
    rate: float = 1.0,
    filters: tuple[str, ...] = USUAL_FILTERS,
    real_clock: bool = False,
    line: Callable[[RunningBroker], AbstractContextManager[Proxy]] | None = None,
    keepalive_s: int = 20,
    child_of: Callable[..., Child] = Child,
    now_ms: int = NOW_MS,
    silent_after_s: float = 604_800.0,
) -> Iterator[Rig]:
    """Set up an experiment; nothing of it is left running.

    ``line``: what the daemon, but no gateway, reaches the broker through. ``child_of``: what makes
    the daemon. ``now_ms``: what its clock reads at the start [Unix ms].
    """
    folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        web = stack.enter_context(web_side())
        broker = start_broker("mosquitto", directory=folder / "broker")
        stack.callback(broker.kill)
        proxy = None if line is None else stack.enter_context(line(broker))
        port = broker.port if proxy is None else proxy.port
        fleet = folder / "fleet.toml"
        fleet.write_text(material.fleet_file, encoding="utf-8")
        child = child_of(
            folder=folder,
            settings=_mqtt(port, protocol, filters, keepalive_s)
            + _settings(folder, web, silent_after_s)
            + ("" if real_clock else _clock(rate, now_ms))
            + more,
        )
        stack.callback(child.abandon)
        parts = Rig(
            folder=folder,
            material=material,
            broker=broker,
            web=web,
            child=child,
            line=proxy,
            now_ms=now_ms,
        )
        stack.callback(_close, parts)
        yield parts


def _close(parts: Rig) -> None:
    if parts.gateways is not None:
        parts.gateways.close()


def _mqtt(port: int, protocol: str, filters: tuple[str, ...], keepalive_s: int) -> str:
    return f"""
[mqtt]
host = "127.0.0.1"
port = {port}
keepalive_s = {keepalive_s}
protocol = "{protocol}"
filters = {json.dumps(filters)}
reconnect_min_s = 0.1
reconnect_max_s = 0.5
"""


def _clock(rate: float, now_ms: int) -> str:
    anchor = datetime.fromtimestamp(wall_ms() / 1000, UTC).isoformat()
    start = datetime.fromtimestamp(now_ms / 1000, UTC).isoformat()
    return f"""
[clock]
rate = {rate}
start = {start}
anchor = {anchor}
"""


def _settings(folder: Path, web: WebSide, silent_after_s: float) -> str:
    return f"""
[store]
path = "{folder / "heatbook.db"}"
[models]
silent_after_s = {silent_after_s}
[fleet]
file = "{folder / "fleet.toml"}"
[alerts]
late_after_s = 31536000.0
[alerts.webhooks.control]
url = "http://127.0.0.1:{web.port}/notices"
secrets = ["{SECRET}"]
allow_private = true
"""


def pause(seconds: float, keep_on: Callable[[], bool]) -> None:
    """Let a random span pass, which is the experiment itself and not a wait for something."""
    end = time.monotonic() + seconds
    while keep_on() and (left := end - time.monotonic()) > 0:
        time.sleep(min(left, 0.05))
