"""No room on the disk, and a disk that breaks: only what is stored is acknowledged, and room brings all back.

The store lies on a file system of its own, which is filled to the last byte. Where nothing may be mounted,
the room is taken away by a limit on the size of the daemon's files, which SQLite meets in a write as it meets
a full disk; the line says which it was.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path

from alerts.own.facts import OURSELVES
from deploy.broker import free_port
from deploy.database import read_only
from tests.torture.figures import LASTED, Figure, figure
from tests.torture.material import material
from tests.torture.rig import Rig, rig
from tests.torture.small_disk import SmallDisk, may_mount, small_disk

MARGIN_BYTES = 100_000
"""What is left when the room is taken away by a limit."""

SIZE_MB = 160

ALARM_BYTES = 96_000_000
"""How little room is said to be short: what is left then lasts beyond the next look."""

TOLD_S = 180.0
"""How long the daemon may take to tell all: that an alarm is over is told a minute later."""

HELD_UP = 2000
"""Samples that the broker takes while nothing is stored: several tries to commit must not let any through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Takes the daemon's room away and gives it back."""

    how: str
    take: Callable[[], None]
    give: Callable[[], None]


def disk_full(folder: Path, seed: int, *, hours: float, trucks: int, rate: float) -> Figure:
    """Fill up, find room again; fill up once more, kill the daemon, and start it in that state."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    health = free_port()
    with ExitStack() as stack:
        disk = _disk(stack, folder)
        parts = stack.enter_context(rig(folder, stock, more=_watch(health)))
        if disk is not None:
            put_on(parts, disk.place)
        room = _room(parts, disk)
        parts.child.patience_s = TOLD_S
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        child.wait_for(lambda: ready(health), "readiness")
        if disk is not None:
            disk.leave(ALARM_BYTES // 2)
            child.wait_for(lambda: bool(_alarm(parts)), "an alarm that the disk is short")
        failed = _without_room(parts, room)
        unready = not ready(health)
        began = time.monotonic()
        room.give()
        child.wait_for(lambda: child.log.count("store.recovered") > 0, "the daemon to go on")
        child.wait_for(lambda: ready(health), "readiness again")
        took_s = time.monotonic() - began
        _without_room(parts, room)
        under_load = gateways.at_work
        child.kill()
        begun = "not tried" if disk is None else _start_without_room(parts)
        room.give()
        if not child.running:
            child.abandon()  # as it ended, the service manager starts it again
            child.start()
        parts.settle()
        verdict, alarm = parts.verdict(), _alarm(parts)
    return figure(
        "disk_full",
        verdict,
        seed=seed,
        faults=f"filled twice ({room.how}), once killed and started while full",
        also=f"first said as {failed!r}, not ready: {unready}, alarm: {alarm or 'none'}, ready "
        f"{took_s:.1f} s after there was room, started while full: {begun}",
        must={
            LASTED: under_load,
            "not ready while full": unready,
            f"ready within {RECOVERED_S:.0f} s": took_s < RECOVERED_S,
            "an alarm that the disk is short": bool(alarm) or disk is None,
        },
    )


RECOVERED_S = 30.0
"""How soon after there is room all must go on; reliability.md, E5."""


def disk_breaks(folder: Path, seed: int, *, hours: float, trucks: int, rate: float) -> Figure:
    """Have the file system find itself damaged: nothing can be written until it is mounted anew."""
    stock = material(seed, hours=hours, more_trucks=trucks)
    if may_mount(folder) != "ext4":
        return Figure(
            line="torture.disk_breaks: not run, nothing can be mounted here", fine=True
        )
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(folder / "disk", SIZE_MB))
        parts = stack.enter_context(rig(folder, stock))
        put_on(parts, disk.place)
        parts.listen()
        gateways = parts.load(seed, rate=rate, waits=False)
        child = parts.child
        child.wait_for(lambda: child.messages > 0, "a first commit")
        failed = _hold_up(parts, disk.break_down)
        under_load = gateways.at_work
        child.kill()
        disk.mend()
        child.start()
        parts.settle()
        verdict = parts.verdict()
    return figure(
        "disk_breaks",
        verdict,
        seed=seed,
        faults="ext4 ends itself for an error: read-only, then examined and mounted anew",
        also=f"said as {failed!r}",
        must={LASTED: under_load},
    )


def put_on(parts: Rig, place: Path) -> None:
    """Have the daemon keep its store, and what lies beside it, in another folder."""
    child = parts.child
    child.settings = child.settings.replace(str(child.store), str(place / child.store.name))
    child.place = place


def ready(port: int) -> bool:
    """Ask the daemon whether it is ready."""
    line = HTTPConnection("127.0.0.1", port, timeout=10.0)
    try:
        line.request("GET", "/readyz")
        return line.getresponse().status == 200
    except OSError:
        return False
    finally:
        line.close()


def _disk(stack: ExitStack, folder: Path) -> SmallDisk | None:
    kind = may_mount(folder)
    return (
        stack.enter_context(small_disk(folder / "disk", SIZE_MB, kind=kind)) if kind else None
    )


def _watch(port: int) -> str:
    return f"""
[health]
port = {port}
[watch]
disk_short_mb = {ALARM_BYTES / 1e6}
disk_urgent_mb = {ALARM_BYTES / 2e6}
"""


def _room(parts: Rig, disk: SmallDisk | None) -> Room:
    if disk is not None:
        return Room(how=f"{disk.kind} of {SIZE_MB} MB", take=disk.fill, give=disk.free)

    def limit() -> None:
        child = parts.child
        files = (child.store, child.store.with_name(child.store.name + "-wal"))
        size = max(file.stat().st_size for file in files) + MARGIN_BYTES
        resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

    def no_limit() -> None:
        if parts.child.running:
            no = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            resource.prlimit(parts.child.pid, resource.RLIMIT_FSIZE, no)

    return Room(how="a limit on the size of files", take=limit, give=no_limit)


def _without_room(parts: Rig, room: Room) -> str:
    return _hold_up(parts, room.take)


def _hold_up(parts: Rig, fault: Callable[[], None]) -> str:
    """Let a fault befall the disk, wait until commits have failed for it for a while; give what was said."""
    child = parts.child
    before = child.log.count("store.failed")
    fault()
    child.wait_for(lambda: child.log.count("store.failed") > before, "a commit to fail")
    held = child.messages
    # The daemon tries again each second; several failures must not have let anything through.
    child.wait_for(
        lambda: parts.ledger.acknowledged > held + HELD_UP or not _at_work(parts),
        "the broker to fill up",
    )
    assert child.messages == held, "something was committed without room"
    line = next(line for line in child.log.splitlines() if "store.failed" in line)
    return line.partition('"reason": "')[2].partition('"')[0]


def _at_work(parts: Rig) -> bool:
    return parts.gateways is not None and parts.gateways.at_work


def _start_without_room(parts: Rig) -> str:
    """Start while the disk is full; say what the daemon does then."""
    child = parts.child
    said = len(child.log)
    child.start()
    end = time.monotonic() + 60.0
    while child.running and time.monotonic() < end:
        if "daemon.started" in child.log[said:]:
            return "it waits for room"
        time.sleep(0.05)
    word = next((line for line in child.log[said:].splitlines() if line[:1] != "{"), "nothing")
    return f"it ends with {word!r}"


def _alarm(parts: Rig) -> str:
    """Say which alarms the daemon raised about itself."""
    with read_only(parts.child.store) as conn:
        rows = conn.execute("SELECT DISTINCT kind FROM alarm WHERE vehicle = ?", (OURSELVES,))
        return ", ".join(sorted(kind for (kind,) in rows))
