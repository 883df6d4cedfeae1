"""The fleet as it stands, in memory: what pages show of five hundred trucks without reading the store.

To read one truck takes milliseconds: its state is unpacked, caught up with the journal, and written out. So a
thread of its own does it, a truck at a time and with a bounded share of the processor: those of which
something came first, the others now and then, for dates move on. Each is read in a short transaction of its
own, so that the store's log is never held up. A page takes ``now()``, which never changes afterwards.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from time import perf_counter

import structlog

from review.board_fleet import FleetLive
from review.board_look import Look, look
from review.board_row import TruckLive, truck_live
from review.joined import joined
from review.reading import Reader
from review.store import Clock, Readable

log = structlog.get_logger()

LOOK_EVERY_S = 1.0
"""How often the store is looked at for what changed [s]."""

LOOK_SHARE = 0.05
"""Share of one processor that looking may take [-]: with a hundred thousand trucks it is rarer."""

SHARE, FIRST_SHARE = 0.15, 0.5
"""Share of one processor that reading trucks may take [-], and while all are read for the first time."""

SLICE_S = 0.1
"""After so long a reading what was found is shown, and the processor left to others [s]."""

AGAIN_MS = 600_000
"""A truck of which nothing came is read again after this time [ms]: its dates and spans move on."""

REST_S = 15.0
"""How long after the store could not be read it is tried again [s]."""


class Board:
    """Holds the fleet as it stands.

    Parameters
    ----------
    store, reader
        Where the trucks are, and how they are read.
    groups
        Trucks by the name of their group.
    uptime_ms
        A clock that never jumps.
    epoch
        What this run of the daemon is known by: versions of another do not compare.
    """

    def __init__(
        self,
        store: Readable,
        reader: Reader,
        *,
        groups: Mapping[str, frozenset[str]],
        uptime_ms: Clock,
        epoch: str = "0",
    ) -> None:
        self._store = store
        self._reader = reader
        self._groups = groups
        self._uptime_ms = uptime_ms
        self._gate = threading.RLock()
        self._one_reads = (
            threading.Lock()
        )  # else an older reading might be shown after a newer one
        self._look = Look()
        self._due: dict[str, None] = {}  # in the order in which they are to be read
        self._read_ms: dict[str, int] = {}
        self._listeners: set[Callable[[], None]] = set()
        self._fleet = FleetLive(epoch=epoch, at_ms=reader.now_ms())
        self._failed = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="board", daemon=True)

    @property
    def version(self) -> int:
        """A number that grows whenever something changed."""
        return self._fleet.version

    @property
    def epoch(self) -> str:
        """What this run is known by."""
        return self._fleet.epoch

    def now(self) -> FleetLive:
        """Give the fleet as it stands; what is given never changes."""
        return self._fleet

    def subscribe(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call ``wake`` from another thread after each change, and when it ends; give what leaves off."""
        with self._gate:
            self._listeners.add(wake)
        return lambda: self._listeners.discard(wake)

    @property
    def stopping(self) -> bool:
        """Whether it was told to end."""
        return self._stopping.is_set()

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """End after the truck now being read; false when that took longer than the time."""
        self._stopping.set()
        self._wake()
        return joined(self._thread, timeout_s)

    def look(self) -> None:
        """Take up alarms and holds as they are now, and note which trucks must be read anew."""
        with self._gate:
            now_ms = self._reader.now_ms()
            with self._store.read() as conn:
                found, changed = look(conn, self._reader.fleet, self._look, now_ms)
            self._look = found
            oldest_ms = self._uptime_ms() - AGAIN_MS
            for gone in self._read_ms.keys() - found.known:
                del self._read_ms[gone]
            waited = [name for name, read_ms in self._read_ms.items() if read_ms <= oldest_ms]
            # Who has an alarm does not wait until a whole fleet is read for the first time.
            alarmed = sorted(changed & found.alarms.keys() - self._fleet.trucks.keys())
            self._due = {**dict.fromkeys(alarmed), **self._due}
            for name in (*sorted(changed), *waited):
                self._due.setdefault(name)
            self._show({}, now_ms)

    def refresh(self) -> None:
        """Look, and read at once every truck of which something changed."""
        self.look()
        while self._due:
            self._read_some(budget_s=SLICE_S)
        with self._one_reads:
            pass  # the board's own thread may still be at the last of them

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._turn()
                self._failed = False
            except Exception as error:
                if not self._failed:
                    log.error("board.failed", exc_info=error)
                self._failed = True
                self._stopping.wait(REST_S)

    def _turn(self) -> None:
        """Look, then read for as long as the share allows until it is time to look again."""
        begun_s = perf_counter()
        self.look()
        took_s = perf_counter() - begun_s
        until_s = begun_s + max(LOOK_EVERY_S, took_s / LOOK_SHARE)
        while not self._stopping.is_set() and (left_s := until_s - perf_counter()) > 0.0:
            if not self._due:
                self._stopping.wait(left_s)
                return
            share = FIRST_SHARE if self._fleet.reading else SHARE
            spent_s = self._read_some(budget_s=SLICE_S)
            self._stopping.wait(spent_s * (1.0 - share) / share)

    def _read_some(self, *, budget_s: float) -> float:
        """Read trucks that are due for a while and show them; give how long it took [s]."""
        begun_s = perf_counter()
        found: dict[str, TruckLive] = {}
        with self._one_reads:
            try:
                while not self._stopping.is_set() and (name := self._next()):
                    found[name] = self._read(name)
                    with self._gate:  # whoever looks goes through it meanwhile
                        self._read_ms[name] = self._uptime_ms()
                    if perf_counter() - begun_s >= budget_s:
                        break
            finally:
                self._show(found, self._reader.now_ms())
        return perf_counter() - begun_s

    def _next(self) -> str | None:
        """Take the truck off the list that is to be read next."""
        with self._gate:
            name = next(iter(self._due), None)
            if name is not None:
                del self._due[name]
            return name

    def _read(self, name: str) -> TruckLive:
        try:
            return self._read_from_store(name)
        except sqlite3.DatabaseError:  # not the truck's fault: it waits until the store is back
            with self._gate:
                self._due[name] = None
            raise

    def _read_from_store(self, name: str) -> TruckLive:
        reader = self._reader
        groups = tuple(sorted(each for each, own in self._groups.items() if name in own))
        with self._store.read() as conn:
            try:
                stored = reader.known_truck(conn, name, waiting=name in self._look.waiting)
                return truck_live(stored, reader.now_ms(), groups)
            except sqlite3.DatabaseError:
                raise
            except Exception as error:
                log.error("board.truck_failed", vehicle=name, exc_info=error)
                return TruckLive(
                    name=name,
                    vehicle=reader.fleet.vehicle(name),
                    groups=groups,
                    standing="out of date",
                    trouble=str(error) or type(error).__name__,
                )

    def _show(self, read: Mapping[str, TruckLive], now_ms: int) -> None:
        """Put what was read, alarms and holds together; tell the listeners if that is anything new."""
        with self._gate:
            seen, before = self._look, self._fleet
            version = before.version + 1
            fresh = {**before.trucks, **read}
            trucks = {
                name: _laid_over(fresh[name], seen, version, anew=name in read)
                for name in sorted(seen.known & fresh.keys())
            }
            after = replace(
                before,
                version=version,
                known=tuple(sorted(seen.known)),
                trucks=trucks,
                others=seen.of_no_truck,
                at_ms=now_ms,
            )
            changed = (
                any(truck.version == version for truck in trucks.values())
                or after.known != before.known
                or after.others != before.others
            )
            self._fleet = after if changed else replace(before, at_ms=now_ms)
        if changed:
            self._wake()

    def _wake(self) -> None:
        for wake in tuple(self._listeners):
            wake()


def _laid_over(truck: TruckLive, seen: Look, version: int, *, anew: bool) -> TruckLive:
    """Give a truck with the alarms and holds that stand now; the very same where nothing is new."""
    alarms, holds = seen.alarms.get(truck.name, ()), seen.holds.get(truck.name, ())
    if not anew and (alarms, holds) == (truck.alarms, truck.holds):
        return truck
    return replace(truck, alarms=alarms, holds=holds, version=version)
