"""A truck whose bypass sticks, the daemon, and everybody it talks to: played once, looked at after."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from deploy.clock import wall_ms
from tests.alerts.far_side import MailSide, Posted, free_port, mail_side
from tests.brokers import ChildBroker, Peer, peer
from tests.torture.child import COMMAND, PATIENCE_S
from tests.torture.ledger import Ledger, time_ms
from tests.torture.material import Material, material, only
from tests.torture.rig import Rig, rig

TRUCK = "NF-03"
HOURS = 2.0
RATE = 400.0
SEED = 7


@dataclass(slots=True, kw_only=True)
class Played:
    """What came of it."""

    rig: Rig
    ledger: Ledger
    mails: list[EmailMessage]
    posted: list[Posted]
    capture: Path
    received: list[Mapping[str, Any]] = field(default_factory=list)
    too_early: list[Mapping[str, Any]] = field(default_factory=list)
    second_code: int = 0
    second_said: str = ""


@contextmanager
def play(folder: Path, protocol: str) -> Iterator[Played]:
    """Play the scene over one version of MQTT; broker and far sides stay until the end."""
    stock = ending_now(only(material(SEED, hours=HOURS), [TRUCK]))
    mails = MailSide()
    port = free_port()
    with ExitStack() as stack:
        stack.enter_context(mail_side(mails, port))
        parts = stack.enter_context(
            rig(folder, stock, protocol=protocol, more=_mail(port), real_clock=True)
        )
        parts.listen()
        watcher = stack.enter_context(peer(ChildBroker(parts.broker)))
        watcher.watch("fleet/#")
        found = Played(
            rig=parts,
            ledger=parts.ledger,
            mails=mails.received,
            posted=parts.web.posted,
            capture=folder / "capture.jsonl",
        )
        found.second_code, found.second_said = _second(parts)
        gateways = parts.load(SEED, rate=RATE, waits=True, protocol=protocol)
        parts.child.wait_for(lambda: _look(found, watcher) and not gateways.at_work, "the day")
        parts.settle()
        _look(found, watcher)
        _write_capture(found.capture, watcher)
        yield found


def ending_now(stock: Material) -> Material:
    """Move the truck's day so that it ends a minute ago."""
    last_ms = max(time_ms(sample) for _, sample in stock.samples)
    by_ms = wall_ms() - 60_000 - last_ms
    moved = tuple(
        (name, {**sample, "time": (time_ms(sample) + by_ms) / 1000.0})
        for name, sample in stock.samples
    )
    return replace(stock, samples=moved)


def _mail(port: int) -> str:
    return f"""
[alerts.smtp]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "heatbook@northfold.example"
recipients = ["workshop@northfold.example"]
"""


def _second(parts: Rig) -> tuple[int, str]:
    """Try to start another daemon on the same store."""
    done = subprocess.run(  # noqa: S603 - our own command
        [*COMMAND, "serve", "--config", str(parts.child.config)],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        env=dict(os.environ),
    )
    return done.returncode, done.stderr


def _look(found: Played, watcher: Peer) -> bool:
    """Take up what the daemon has said is safe, and look whether the store holds it."""
    topic = f"fleet/{TRUCK}/received"
    said = [json.loads(payload) for name, payload in list(watcher.heard) if name == topic]
    for one in said[len(found.received) :]:
        newest = found.rig.child.count("SELECT max(last_ms) FROM journal")
        if newest < time_ms(one):
            found.too_early.append(one)
        found.received.append(one)
    return True


def _write_capture(path: Path, watcher: Peer) -> None:
    with path.open("wb") as out:
        for topic, payload in watcher.heard:
            if not topic.endswith("/received"):
                out.write(
                    b'{"topic":%s,"payload":%s}\n' % (json.dumps(topic).encode(), payload)
                )
