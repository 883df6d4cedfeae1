"""The undisturbed run: the same samples in order, straight through the pipeline, no broker."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from deploy.courses import courses_by
from deploy.database import Database
from deploy.fleet import load_fleet
from deploy.pipeline import Pipeline
from deploy.rules import rules_of
from deploy.settings import load_settings
from ingest import record
from ingest.entry import Entry
from ingest.message import Message
from tests.torture.ledger import Ledger, time_ms

BATCH = 50


def run_reference(
    ledger: Ledger,
    *,
    config: Path,
    folder: Path,
    now_ms: int,
    only_stored: set[tuple[str, int]] | None = None,
    entries: Sequence[Entry] = (),
) -> Path:
    """Commit what the gateways recorded, in order of time; give the store.

    ``only_stored``: leave out samples whose (truck, time) is not among these. ``entries``: of the
    service record, all there from the start.
    """
    folder.mkdir(parents=True)
    settings = load_settings(config=config, env={}).settings
    assert settings.fleet.file is not None
    fleet = load_fleet(settings.fleet.file)
    database = Database(folder / "reference.db", synchronous="off")
    try:
        pipeline = Pipeline(
            database,
            registered=frozenset(fleet.vehicles),
            courses=courses_by(settings, fleet),
            rules=rules_of(settings, None),
            now_ms=lambda: now_ms,
        )
        with database.write() as tx:
            for entry in entries:
                record.add(tx, entry)
        pipeline.load()
        messages = _messages(ledger, only_stored)
        for start in range(0, len(messages), BATCH):
            pipeline.commit(messages[start : start + BATCH])
        pipeline.flush()
    finally:
        database.close()
    return folder / "reference.db"


def _messages(ledger: Ledger, only: set[tuple[str, int]] | None) -> list[Message]:
    found = [
        (time_ms(sample), vehicle, seq, sample)
        for vehicle, truck in ledger.trucks.items()
        for seq, sample in truck.samples.items()
        if only is None or (vehicle, time_ms(sample)) in only
    ]
    found.sort(key=lambda one: one[:3])
    return [
        Message(
            topic=f"fleet/{vehicle}/telemetry",
            payload=json.dumps({**sample, "seq": seq}).encode(),
        )
        for _, vehicle, seq, sample in found
    ]
