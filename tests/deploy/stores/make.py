"""Make a store of an earlier version: its own daemon takes in messages from a real broker.

``python -m tests.deploy.stores.make FOLDER COMMIT...`` checks commits out into a temporary folder, runs their
daemons and commands there, and packs store and archive as ``FOLDER/ingestN-alertsN-....tar.gz``. It needs git
and a broker; models are compiled first, which takes a minute (once for commits that have the same).
"""

from __future__ import annotations

import io
import os
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import time
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from deploy.waiting import until
from ingest.message import Message
from tests import brokers
from tests.recorded import MINUTE_MS, climb, message

ROOT = Path(__file__).parents[3]
PATIENCE_S = 900.0
"""How long is waited for a daemon that compiles its models first [s]."""

DAY_MS = 86_400_000

FLEET = """
[vehicles.NF-01]
installed_odometer_km = 49000.0
limits = { service_distance_km = 1100.0, over_temperature_c = 115.0 }
"""

SETTINGS = """
[mqtt]
port = {port}
[store]
path = "heatbook.db"
[alerts]
late_after_s = 86400.0
[fleet]
file = "fleet.toml"
"""

COMMANDS = (
    "fleet pan-drop NF-01 --volume 4L --odometer 50100km",
    "fleet register NF-04",
    "alarms shelve NF-02 --for 2h --reason test",
    "accounts add kim --role technician",
)
"""Each version does those that it has."""


def messages(now_ms: int) -> list[Message]:
    """Give what the fleet sends: a climb that gets too hot, repeats, bad samples, months before."""
    hot = climb(
        100,
        start_ms=now_ms - 105 * MINUTE_MS,
        period_ms=MINUTE_MS,
        start_c=100.0,
        slope_k_min=0.6,
    )
    old = climb(60, start_ms=now_ms - 120 * DAY_MS, period_ms=MINUTE_MS, start_c=85.0)
    found = [message("NF-03", old)]
    found += [message("NF-01", hot[start : start + 10]) for start in range(0, 100, 10)]
    found += [message("NF-02", hot[:30]), message("NF-02", hot[20:50])]
    found += [
        Message(topic="fleet/NF-02/telemetry", payload=b'{"time":1767268800,"gear":99}'),
        message("NF-01", [{**hot[3], "fluid_temp_c": 60.0}]),
        Message(topic="fleet/NF-02/status", payload=b'{"online":true,"time":1767268800}'),
        message("NF-09", hot[:1]),
    ]
    return found


def make(commit: str, folder: Path, tree: Path) -> Path:
    """Make one store and give its file; ``tree`` is where the commit is checked out."""
    with TemporaryDirectory() as temporary:
        home = Path(temporary) / "home"
        home.mkdir()
        _check_out(commit, tree)
        broker = brokers.launch(Path(temporary) / "broker")
        try:
            (home / "fleet.toml").write_text(FLEET)
            (home / "heatbook.toml").write_text(SETTINGS.format(port=broker.port))
            _drive(tree, home, broker.port)
        finally:
            broker.kill()
        run(tree, home, "history", "move")
        return _packed(home, folder, commit)


def _check_out(commit: str, tree: Path) -> None:
    """Check out; with one place and one time of all files what is compiled of equal models is found again."""
    if tree.exists():
        shutil.rmtree(tree)
    tree.mkdir()
    packed = subprocess.run(  # noqa: S603
        ["git", "archive", commit],  # noqa: S607
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(tree, filter="data")
    for path in tree.rglob("*.py"):
        os.utime(path, (1.8e9, 1.8e9))


def command(tree: Path, *words: str) -> list[str]:
    """Give a command of that version."""
    start = "from review.model_version import keep_compiled; keep_compiled()"
    if not (tree / "review" / "model_version.py").exists():
        start = "pass"
    lead = f"import sys; sys.path.insert(0, {str(tree)!r}); {start}; from deploy.cli import main; main()"
    return [sys.executable, "-c", lead, *words]


def run(tree: Path, home: Path, *words: str) -> None:
    """Run a command that this version may have."""
    done = subprocess.run(  # noqa: S603
        command(tree, *words), cwd=home, check=False, capture_output=True, text=True
    )
    sys.stderr.write(f"{words} {done.returncode} {(done.stdout + done.stderr)[-200:]}\n")


def _drive(tree: Path, home: Path, port: int) -> None:
    with subprocess.Popen(command(tree, "serve"), cwd=home, env=os.environ) as daemon:  # noqa: S603
        now_ms = time.time_ns() // 1_000_000
        sent = messages(now_ms)
        ready = until(lambda: _count(home, "SELECT count(*) FROM schema_step") > 0, PATIENCE_S)
        assert ready, "the daemon does not start"
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", port)
        client.loop_start()
        # Before its session is there nothing waits for it at the broker: sent until it is heard.
        assert until(lambda: _heard(client, home, sent[0]), PATIENCE_S), "nothing is taken in"
        for each in sent:
            client.publish(each.topic, each.payload, qos=1).wait_for_publish(30)
        assert until(lambda: _count(home, "SELECT count(*) FROM vehicle") == 4, 60), "not all"
        for words in COMMANDS:
            run(tree, home, *words.split())
        alarms = "SELECT count(*) FROM attempt WHERE outcome = 'delivered'"
        assert until(lambda: _count(home, alarms) > 0, 60), "nobody was told"
        daemon.terminate()
        assert daemon.wait(60) == 0
        client.loop_stop()


def _heard(client: Client, home: Path, first: Message) -> bool:
    client.publish(first.topic, first.payload, qos=1)
    time.sleep(1.0)
    return _count(home, "SELECT count(*) FROM vehicle") > 0


def _count(home: Path, query: str) -> int:
    store = home / "heatbook.db"
    if not store.exists():
        return 0
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=5)) as conn:
        try:
            return int(conn.execute(query).fetchone()[0])
        except sqlite3.OperationalError:
            return 0


def _packed(home: Path, folder: Path, commit: str) -> Path:
    with closing(sqlite3.connect(home / "heatbook.db")) as conn:
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        conn.execute("PRAGMA journal_mode=delete")
        conn.execute("VACUUM")
        rows = conn.execute("SELECT package, count(*) FROM schema_step GROUP BY package")
        done = dict(rows.fetchall())
    names = [
        f"{each}{done[each]}"
        for each in ("ingest", "alerts", "review", "deploy")
        if each in done
    ]
    file = folder / f"{'-'.join(names)}.tar.gz"
    with tarfile.open(file, "w:gz") as archive:
        archive.add(home / "heatbook.db", "heatbook.db")
        if (home / "archive").exists():
            archive.add(home / "archive", "archive")
    sys.stderr.write(f"{commit} {file} {file.stat().st_size}\n")
    return file


if __name__ == "__main__":
    with TemporaryDirectory() as place:
        for each in sys.argv[2:]:
            make(each, Path(sys.argv[1]), Path(place) / "tree")
