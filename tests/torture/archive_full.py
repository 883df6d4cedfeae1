"""No room for the archive: the month stays in the store, the daemon works on, and with room it moves."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from deploy.database import read_only
from ingest import journal
from tests.torture.figures import Figure, told
from tests.torture.ledger import time_ms
from tests.torture.power.recording import LATER_DAYS, clock, stock_of
from tests.torture.rig import Rig, rig
from tests.torture.small_disk import may_mount, small_disk

SIZE_MB = 8

_MOVED = "SELECT count(*) FROM history_move WHERE done_ms IS NOT NULL AND problems <> '[]'"
_SEALED = "SELECT count(*) FROM sealed"


def archive_full(folder: Path, seed: int, *, samples: int, rate: float) -> Figure:
    """Let the nightly move meet a full disk of the archive's own; make room; let the next night come."""
    kind = may_mount(folder)
    if not kind:
        return Figure(
            line="torture.archive_full: not run, nothing can be mounted here", fine=True
        )
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(folder / "disk", SIZE_MB, kind=kind))
        parts = stack.enter_context(rig(folder, stock_of(seed, samples), real_clock=True))
        child = parts.child
        settings = f'{child.settings}\n[archive]\nfolder = "{disk.place}"\n'
        child.settings = settings + clock(0)
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child.wait_for(gateways.drained, "the gateways to get rid of their samples")
        child.wait_for(parts.has_all, "the daemon to store everything")
        assert child.stop() == 0
        disk.fill()
        _night(parts, settings, LATER_DAYS, _MOVED)
        sealed_full, kept = child.count(_SEALED), _amiss(parts)
        said = "archive.failed" in child.log
        disk.free()
        _night(parts, settings, LATER_DAYS + 1, _SEALED)
        sealed, moved = child.count(_SEALED), _amiss(parts)
        left = child.count("SELECT coalesce(sum(samples), 0) FROM journal")
    return told(
        "archive_full",
        faults=f"the archive's disk ({kind} of {SIZE_MB} MB) full when the night's move came",
        found=(
            f"{parts.ledger.recorded} samples",
            f"{sealed_full} months moved without room, {kept} samples lost or doubled",
            f"said: {said}",
            f"{sealed} months moved with room, {left} samples still in the store, {moved} lost or doubled",
        ),
        seed=seed,
        fine=said and not sealed_full and not kept and sealed > 0 and not moved,
    )


def _night(parts: Rig, settings: str, days: int, counted: str) -> None:
    """Start on a later day, let the move that was missed be made up for, and stop."""
    parts.child.settings = settings + clock(days)
    parts.listen()
    parts.child.wait_for(lambda: parts.child.count(counted) > 0, "the move of history")
    parts.child.wait_for(
        lambda: (
            parts.child.log.count("archive.moved")
            >= parts.child.log.count("daemon.started") - 1
        ),
        "the move to be done",
    )
    assert parts.child.stop() == 0


def _amiss(parts: Rig) -> int:
    """Count samples that are not there, or twice, wherever they lie."""
    amiss = 0
    with read_only(parts.child.store) as conn:
        for name, truck in parts.ledger.trucks.items():
            (number,) = conn.execute(
                "SELECT id FROM vehicle WHERE name = ?", (name,)
            ).fetchone()
            found = journal.read(conn, vehicle_id=number, first_ms=-(2**62), last_ms=2**62)
            times = found["time_ms"].tolist()
            sent = {time_ms(sample) for sample in truck.samples.values()}
            amiss += len(sent.symmetric_difference(times)) + len(times) - len(set(times))
    return amiss
