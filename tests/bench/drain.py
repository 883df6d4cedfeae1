"""Take a broker's queued messages, as Heatbook or as a client that does nothing; print the seconds.

``python -m tests.bench.drain nothing PORT COUNT`` or ``… heatbook CONFIG COUNT``. Runs in a process
of its own, as a daemon does. Time runs from the start of the connection to the last
acknowledgement.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from review.model_version import keep_compiled

keep_compiled()  # must come before the first import of the models

from paho.mqtt.client import Client, MQTTMessage, MQTTv5  # noqa: E402 -- see above
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402 -- see above
from paho.mqtt.packettypes import PacketTypes  # noqa: E402 -- see above
from paho.mqtt.properties import Properties  # noqa: E402 -- see above

from deploy.assembly import assemble  # noqa: E402 -- see above
from deploy.database import Database  # noqa: E402 -- see above
from deploy.pipeline import Pipeline  # noqa: E402 -- see above
from deploy.rules import rules_of  # noqa: E402 -- see above
from deploy.settings import Settings, load_settings  # noqa: E402 -- see above
from deploy.waiting import until  # noqa: E402 -- see above
from ingest.message import Message  # noqa: E402 -- see above
from models.fleet import Fleet  # noqa: E402 -- see above
from review.trucks import courses_of  # noqa: E402 -- see above
from tests.bench.traffic import traffic  # noqa: E402 -- see above

CLIENT_ID = "heatbook"
WINDOW = 500
LIMIT_S = 600.0


def wishes() -> Properties:
    """Ask for the session and the window that Heatbook asks for."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = WINDOW
    return properties


def nothing(port: int, count: int) -> float:
    """Acknowledge each message by hand as it comes, and do nothing else."""
    client = Client(
        CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, protocol=MQTTv5, manual_ack=True
    )
    left = count

    def on_message(_client: Client, _userdata: Any, message: MQTTMessage) -> None:
        nonlocal left
        client.ack(message.mid, message.qos)
        left -= 1

    client.on_message = on_message
    began = time.perf_counter()
    client.connect("127.0.0.1", port, clean_start=False, properties=wishes())
    while left or client.want_write():
        client.loop(1.0)
    took_s = time.perf_counter() - began
    client.disconnect()
    return took_s


def heatbook(config: Path, count: int) -> float:
    """Run the daemon's own parts until everything is committed and acknowledged."""
    settings = load_settings(config=config, env={}).settings
    warm_up(settings)
    daemon = assemble(settings, Fleet())
    source = daemon._parts.source
    began = time.perf_counter()
    daemon.start()
    done = until(lambda: source.state.acked >= count, LIMIT_S)
    took_s = time.perf_counter() - began
    daemon.stop()
    assert done, f"{source.state.acked} of {count} acknowledged"
    return took_s


def warm_up(settings: Settings) -> None:
    """Load the compiled models, as a daemon that runs has done long ago."""
    with TemporaryDirectory() as folder:
        database = Database(Path(folder) / "warm.db", synchronous="off")
        pipeline = bare_pipeline(settings, database)
        pipeline.commit(
            [Message(topic=t, payload=p) for t, p in traffic(2, samples=1, trucks=1)]
        )
        database.close()


def bare_pipeline(settings: Settings, database: Database) -> Pipeline:
    """Give a pipeline without a broker."""
    return Pipeline(
        database,
        registered=frozenset(),
        courses=courses_of(Fleet(), max_gap_s=300.0, silent_after_s=900.0),
        rules=rules_of(settings, None),
        now_ms=lambda: time.time_ns() // 1_000_000,
    )


if __name__ == "__main__":
    who, where, how_many = sys.argv[1], sys.argv[2], int(sys.argv[3])
    seconds = (
        nothing(int(where), how_many) if who == "nothing" else heatbook(Path(where), how_many)
    )
    sys.stdout.write(f"{seconds:.6f}\n")
