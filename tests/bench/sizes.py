"""What a daemon needs: disk by the two invented years, memory and time of the processor by a daemon that
runs. ``python -m tests.bench.sizes``; the table in the administrator's page is made of it.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from deploy.broker import RunningBroker, free_port, start_broker  # noqa: E402 -- see above
from deploy.database import Database  # noqa: E402 -- see above
from deploy.settings import Settings  # noqa: E402 -- see above
from ingest.message import Message  # noqa: E402 -- see above
from ingest.sealing import gather, scattered_days  # noqa: E402 -- see above
from tests.bench.drain import bare_pipeline  # noqa: E402 -- see above
from tests.bench.machine import describe  # noqa: E402 -- see above
from tests.bench.traffic import PERIOD_S, traffic  # noqa: E402 -- see above
from tests.brokers import ChildBroker, Peer  # noqa: E402 -- see above
from tests.review.two_years import two_years_store  # noqa: E402 -- see above
from tests.torture.child import Child  # noqa: E402 -- see above

SAMPLES = 10
"""Samples a message."""

MB = 1e6


def disk(folder: Path) -> Iterator[str]:
    """Say what the two years take, by what it is for and a truck-year driven as these are."""
    database = two_years_store(folder)
    database.close()
    with closing(sqlite3.connect(folder / "heatbook.db")) as store:
        trucks = store.execute("SELECT count(*) FROM vehicle").fetchone()[0]
        hot = store.execute("SELECT sum(samples) FROM journal").fetchone()[0]
        tables = store.execute(
            "SELECT name, sum(pgsize) AS size FROM dbstat GROUP BY name ORDER BY size DESC LIMIT 6"
        ).fetchall()
        whole = (folder / "heatbook.db").stat().st_size
        sealed = store.execute("SELECT sum(samples) FROM sealed").fetchone()[0]
    archive = sum(file.stat().st_size for file in folder.rglob("*.parquet"))
    years = 2 * trucks
    yield (
        f"sizes.disk: {trucks} trucks, two years: {sealed:,} samples in the archive, {hot:,} in the store; "
        f"archive {archive / MB:.1f} MB, store {whole / MB:.1f} MB"
    )
    yield (
        f"sizes.disk: a truck-year of {(sealed + hot) / years:,.0f} samples: archive "
        f"{archive / years / MB:.2f} MB ({archive / sealed:.1f} B a sample), "
        f"store {whole / years / MB:.2f} MB"
    )
    yield "sizes.disk: in the store " + ", ".join(
        f"{name} {size / MB:.1f} MB" for name, size in tables
    )


def driven(folder: Path, hours: float) -> Iterator[str]:
    """Say what a truck that sends each five seconds takes in the store."""
    folder.mkdir()
    database = Database(folder / "heatbook.db", synchronous="off")
    pipeline = bare_pipeline(Settings(), database)
    messages = int(hours * 3600 / PERIOD_S / SAMPLES)
    stock = [
        Message(topic=topic, payload=payload)
        for topic, payload in traffic(messages, samples=SAMPLES, trucks=1)
    ]
    for first in range(0, messages, 50):
        pipeline.commit(stock[first : first + 50])
    samples = messages * SAMPLES
    with database.write() as tx:
        before = _table(tx, "journal")
        for day_ms in scattered_days(tx, vehicle_id=1, before_ms=2**62):
            gather(tx, vehicle_id=1, day_ms=day_ms)
        after, kept = _table(tx, "journal") / samples, _table(tx, "checkpoint") / hours / 1e3
    yield (
        f"sizes.driven: {hours:.0f} h at a sample each {PERIOD_S} s, {SAMPLES} a message: "
        f"journal {before / samples:.0f} B a sample as it comes, {after:.0f} B when its day is over; "
        f"checkpoints {kept:.1f} kB an hour driven"
    )
    database.close()


def _table(tx: sqlite3.Connection, name: str) -> int:
    """Give the size of a table's pages [B]."""
    row = tx.execute("SELECT sum(pgsize) FROM dbstat WHERE name = ?", (name,)).fetchone()
    return int(row[0])


def running(folder: Path, trucks: int, each: int) -> Iterator[str]:
    """Say what a daemon with its console uses while so many trucks send so many messages each."""
    folder.mkdir()
    settings = f'[store]\npath = "{folder}/heatbook.db"\n[web]\nport = {free_port()}\n'
    with _broker(folder) as broker:
        child = Child(
            folder=folder,
            patience_s=900.0,
            settings=f'{settings}[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n',
        )
        try:
            child.start()
            sender = Peer(ChildBroker(broker))
            sender.watch("heatbook/heatbook/status")
            child.wait_for(lambda: bool(sender.heard), "the daemon online")
            idle = _memory(child)
            began = _processor_s(child)
            infos = [
                sender.post(topic, payload)
                for topic, payload in traffic(trucks * each, samples=SAMPLES, trucks=trucks)
            ]
            child.wait_for(infos[-1].is_published, "the broker")
            child.wait_for(lambda: child.messages >= trucks * each, "all commits")
            used = _processor_s(child) - began
            after = _memory(child)
            sender.close()
            assert child.stop() == 0  # from here on the file holds all
            samples, size = trucks * each * SAMPLES, child.store.stat().st_size
            yield (
                f"sizes.running: {trucks} trucks, {samples:,} samples: {idle['VmRSS']:.0f} MB before, "
                f"{after['VmRSS']:.0f} MB after, {after['VmHWM']:.0f} MB at most; "
                f"{1e6 * used / samples:.0f} µs of a core a sample; store {size / MB:.1f} MB"
            )
        finally:
            child.abandon()


def _memory(child: Child) -> dict[str, float]:
    """Read what a process holds [MB]."""
    lines = Path(f"/proc/{child.pid}/status").read_text(encoding="utf-8").splitlines()
    found = dict(line.split(":", 1) for line in lines if line.startswith("Vm"))
    return {name: int(value.split()[0]) * 1024 / MB for name, value in found.items()}


def _processor_s(child: Child) -> float:
    """Read how long it has had a core, itself and for the system [s]."""
    fields = (
        Path(f"/proc/{child.pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    )
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def _broker(folder: Path) -> Iterator[RunningBroker]:
    broker = start_broker("mosquitto", directory=folder / "broker")
    try:
        yield broker
    finally:
        broker.kill()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sizes", description=__doc__)
    parser.add_argument("--trucks", type=int, nargs="*", default=[10, 1000])
    parser.add_argument("--no-disk", action="store_true", help="not the two years")
    asked = parser.parse_args()
    sys.stdout.write(f"{describe()}, load {os.getloadavg()[0]:.1f}\n")
    with TemporaryDirectory(prefix="heatbook-sizes-") as temporary:
        folder = Path(temporary)
        for trucks in asked.trucks:
            for line in running(folder / str(trucks), trucks, max(6, 600 // trucks)):
                sys.stdout.write(f"{line}\n")
                sys.stdout.flush()
        for line in driven(folder / "driven", 50.0):
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()
        if not asked.no_disk:
            (folder / "years").mkdir()
            for line in disk(folder / "years"):
                sys.stdout.write(f"{line}\n")


if __name__ == "__main__":
    main()
