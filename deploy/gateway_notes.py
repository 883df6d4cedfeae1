"""What is noted of the gateways: whether they are connected, their counters, how much came."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from dataclasses import replace

from ingest import held as holding
from ingest import sequence
from ingest.decoded import Decoded
from ingest.held import Held

_SEQ = re.compile(rb'"seq"\s*:\s*(\d{1,18})\s*[,}]')

_FINAL = frozenset(
    {
        "bad_time",
        "before_earliest",
        "missing",
        "naive_time",
        "no_signal",
        "not_finite",
        "out_of_range",
        "time_unit",
        "wrong_type",
    }
)
"""Refusals that no other try can cure, of samples that are surely this truck's. A sample refused for
its late or early clock, for our settings or for the size of its message may yet be accepted: whoever
keeps it must go on keeping it."""


def note_status(tx: sqlite3.Connection, truck: Held, parts: Sequence[Decoded]) -> Held:
    """Write down the newest word on whether the gateway is connected."""
    for part in parts:
        if part.status is not None:
            tx.execute(
                "UPDATE vehicle SET online = ?, status_ms = ? WHERE id = ?",
                (int(part.status.online), part.status.time_ms, truck.vehicle_id),
            )
            truck = replace(truck, online=part.status.online)
    return truck


def note_sequence(
    tx: sqlite3.Connection, truck: Held, parts: Sequence[Decoded], away_ms: int
) -> Held:
    """Take in the counter values of good samples, and of those refused for good.

    ``away_ms``: how long nothing was heard of the truck before.
    """
    arrived = [
        (time_ms, seq)
        for part in parts
        for time_ms, seq in zip(
            part.samples["time_ms"].tolist(), part.seqs.tolist(), strict=True
        )
        if seq >= 0
    ]
    refused = [
        int(found[0])
        for part in parts
        for one in part.refused
        # Two of them: one is another counter's.
        if one.reason in _FINAL and len(found := _SEQ.findall(one.raw)) == 1
    ]
    if not arrived and not refused:
        return truck
    noted = sequence.note(
        truck.sequence, arrived, refused=refused, received_ms=truck.heard_ms, away_ms=away_ms
    )
    if noted == truck.sequence:
        return truck
    truck = replace(truck, sequence=noted)
    holding.save_sequence(tx, truck)
    return truck


def note_position(tx: sqlite3.Connection, messages: int, now_ms: int) -> None:
    """Count the messages taken from the broker, in the commit that takes them in."""
    tx.execute(
        "INSERT INTO source_position VALUES ('mqtt', ?, ?) ON CONFLICT (source) DO UPDATE "
        "SET messages = messages + excluded.messages, committed_ms = excluded.committed_ms",
        (messages, now_ms),
    )
