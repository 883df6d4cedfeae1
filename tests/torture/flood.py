"""Every message many times over, and in any order: it must be as if each had come once."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

from tests.brokers import ChildBroker, peer
from tests.torture.figures import Figure, holds, yes
from tests.torture.ledger import Ledger
from tests.torture.material import material, only
from tests.torture.rig import Rig, rig

COUNTS = {
    "rows": "SELECT sum(samples) FROM journal",
    "alarms": "SELECT count(*) FROM alarm",
    "notices": "SELECT count(*) FROM outbox",
}


TROUBLED = ("NF-02", "NF-03", "NF-05", "NF-07", "NF-08")
"""Trucks of the demo fleet whose day has something to find in it."""


def duplicate_flood(
    folder: Path,
    seed: int,
    *,
    times: int,
    hours: float,
    rate: float,
    restarts: int = 0,
    name: str = "duplicate_flood",
) -> Figure:
    """Send all in order, then each message so many times more, shuffled; nothing may be added.

    Meanwhile the daemon is killed and started so many times.
    """
    stock = only(material(seed, hours=hours), TROUBLED)
    with rig(folder, stock) as parts:
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(gateways.drained, "the gateways to be done")
        child.wait_for(parts.has_all, "all samples to be stored")
        child.wait_for(parts.told_all, "all notices to be delivered")
        before = {name: child.count(statement) for name, statement in COUNTS.items()}
        messages = _messages(parts.ledger, seed, times)
        sent = len(messages)
        for number in range(restarts + 1):
            share = messages[
                number * sent // (restarts + 1) : (number + 1) * sent // (restarts + 1)
            ]
            _pour(parts, share, killed=number < restarts)
        parts.settle()
        added = {name: child.count(COUNTS[name]) - before[name] for name in COUNTS}
        verdict = parts.verdict()
    line = (
        f"torture.{name}: {verdict.samples} samples, {verdict.transitions} transitions, "
        f"{sent} messages again (each {times} times, shuffled, {restarts} kills), rows +{added['rows']}, "
        f"alarms +{added['alarms']}, notices +{added['notices']}, "
        f"accounts equal: {yes(verdict.accounts_equal)}, seed {seed}"
    )
    fine = holds(verdict) and not any(added.values())
    return Figure(line=line, fine=fine, problems=verdict.problems)


def shuffled(folder: Path, seed: int, *, times: int, hours: float) -> Figure:
    """Send all many times over in a random order, from the beginning."""
    stock = only(material(seed, hours=hours), TROUBLED)
    with rig(folder, stock) as parts:
        parts.listen()
        for number, (vehicle, sample) in enumerate(stock.samples):
            parts.ledger.record(vehicle, number, sample)
        sent = _pour(parts, _messages(parts.ledger, seed, times))
        child = parts.child
        child.wait_for(parts.has_all, "all samples to be stored")
        child.wait_for(parts.told_all, "all notices to be delivered")
        assert child.stop() == 0
        verdict = parts.verdict()
    line = (
        f"torture.shuffled: {verdict.samples} samples in {sent} messages, each {times} times in "
        f"a random order, {verdict.lost} lost, {verdict.doubled} doubled, accounts equal: "
        f"{yes(verdict.accounts_equal)}, {verdict.transitions} transitions equal: "
        f"{yes(verdict.transitions_equal)}, {verdict.notices_renamed} notices under a second "
        f"id, seed {seed}"
    )
    return Figure(line=line, fine=holds(verdict), problems=verdict.problems)


def _messages(ledger: Ledger, seed: int, times: int) -> list[tuple[str, bytes]]:
    """Cut each truck's samples into messages of one to six, repeat them, and shuffle."""
    rng = Random(f"{seed}/flood")
    found: list[tuple[str, bytes]] = []
    for vehicle, truck in ledger.trucks.items():
        entries = [{**sample, "seq": seq} for seq, sample in truck.samples.items()]
        while entries:
            size = rng.choice((1, 1, 1, 6))
            found.append((f"fleet/{vehicle}/telemetry", json.dumps(entries[:size]).encode()))
            del entries[:size]
    found *= times
    rng.shuffle(found)
    return found


def _pour(parts: Rig, messages: list[tuple[str, bytes]], *, killed: bool = False) -> int:
    """Publish all, and wait until the daemon has committed each; it may be killed in their midst."""
    child = parts.child
    before = child.messages
    with peer(ChildBroker(parts.broker)) as sender:
        infos = [sender.post(topic, payload) for topic, payload in messages]
        if killed:
            child.wait_for(lambda: child.messages > before, "some commits")
            child.kill()
            child.start()
        child.wait_for(lambda: all(info.is_published() for info in infos), "the broker's acks")
    child.wait_for(lambda: child.messages >= before + len(messages), "every commit")
    return len(messages)
