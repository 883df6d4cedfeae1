"""A day of a fleet in minutes, with programs that look on: memory, handles, threads and log stay bounded."""

from __future__ import annotations

import http.client
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from deploy.broker import free_port
from deploy.database import beside_daemon
from review.access import tokens
from review.access.tokens import Scope
from tests.torture.figures import Figure, figure
from tests.torture.material import material
from tests.torture.proc import Usage, usage
from tests.torture.rig import NOW_MS, Rig, rig
from tests.torture.slope import Slope, slope_of

LOOK_S = 0.5
WARM_SHARE = 0.4
"""Share of the looks that are left out: pools and caches fill."""

HANDLES, THREADS, WAL_MB = 64, 32, 64.0
"""How many handles and threads there may be at any look, and how large the store's log may be."""

GROWN = 1.0
"""By how many handles or threads they may surely have grown: a page being asked for holds some for a
moment, so that single looks differ."""

ASKED = ("/api/v1/trucks", "/api/v1/alarms", "/api/v1/services", "/api/v1/system", "/sign-in")
EMPTY_PAUSE_S = 0.05


@dataclass(slots=True)
class Looks:
    """The daemon, look by look, while it was warm and before."""

    hours: list[float] = field(default_factory=list)  # of the fleet
    used: list[Usage] = field(default_factory=list)
    wal_mb: list[float] = field(default_factory=list)
    answers: dict[int, int] = field(default_factory=dict)

    def warm(self) -> tuple[list[float], list[Usage]]:
        """Give the looks after the first while."""
        first = round(WARM_SHARE * len(self.hours))
        return self.hours[first:], self.used[first:]


def soak(
    folder: Path, seed: int, *, hours: float, trucks: int, for_s: float, growth_per_h: float
) -> Figure:
    """Let so many hours of the fleet go by in so many seconds, while programs ask for its pages.

    ``growth_per_h``: how fast memory may surely grow [1/h of the fleet].
    """
    stock = material(seed, hours=hours, more_trucks=trucks)
    looks, port = Looks(), free_port()
    more = f'[web]\nbind = "127.0.0.1"\nport = {port}\n'
    # So late that no sample lies ahead of an undisturbed run's clock, which stands still.
    late_ms = NOW_MS + round(hours * 3_600_000)
    with rig(folder, stock, more=more, rate=hours * 3600.0 / for_s, now_ms=late_ms) as parts:
        parts.listen()
        key = _key(parts)
        gateways = parts.load(seed, rate=len(stock.samples) / for_s, waits=True)
        parts.child.wait_for(lambda: parts.child.messages > 0, "a first commit")
        stop = threading.Event()
        asker = threading.Thread(target=_ask, args=(port, key, looks, stop), daemon=True)
        asker.start()
        began = time.monotonic()
        while gateways.at_work and (spent_s := time.monotonic() - began) < 1.5 * for_s:
            _look(parts, looks, parts.ledger.recorded / len(stock.samples) * hours)
            time.sleep(LOOK_S)
        stop.set()
        asker.join()
        parts.settle()
        verdict = parts.verdict()
    hours_at, used = looks.warm()
    rise = slope_of(hours_at, [each.rss_mb for each in used])
    handles, threads = [each.handles for each in used], [each.threads for each in used]
    must = {
        f"memory does not surely grow by more than {growth_per_h:.0%}/h": (
            rise.low / used[0].rss_mb <= growth_per_h
        ),
        f"handles do not surely grow by more than {GROWN:.0f}": _grown(hours_at, handles)
        <= GROWN,
        f"threads do not surely grow by more than {GROWN:.0f}": _grown(hours_at, threads)
        <= GROWN,
        f"at most {HANDLES} handles": max(handles) <= HANDLES,
        f"at most {THREADS} threads": max(threads) <= THREADS,
        f"the store's log at most {WAL_MB:.0f} MB": max(looks.wal_mb) <= WAL_MB,
        "pages were answered": looks.answers.get(200, 0) > 0,
        "no page ended in an error": not any(code >= 500 for code in looks.answers),
    }
    return figure(
        "soak",
        verdict,
        seed=seed,
        faults=(
            f"{looks.hours[-1]:.1f} h of {len(stock.vehicles)} trucks in {spent_s:.0f} s, "
            f"{sum(looks.answers.values())} pages asked for"
        ),
        also=_said(rise, used, looks),
        must=must,
    )


def _grown(hours: list[float], counts: list[int]) -> float:
    """Give by how much they surely rose from the first look to the last."""
    return slope_of(hours, counts).low * (hours[-1] - hours[0])


def _said(rise: Slope, used: list[Usage], looks: Looks) -> str:
    base = used[0].rss_mb / 100.0
    return (
        f"memory {used[0].rss_mb:.0f} MB when warm, {rise.median / base:+.2f} %/h (95 %: "
        f"{rise.low / base:+.2f} to {rise.high / base:+.2f}), handles "
        f"{_span([each.handles for each in used])}, threads "
        f"{_span([each.threads for each in used])}, the store's log at most "
        f"{max(looks.wal_mb):.0f} MB, answers {looks.answers}"
    )


def _span(counts: list[int]) -> str:
    return f"{counts[0]} to {counts[-1]} ({min(counts)} to {max(counts)} between)"


def _key(parts: Rig) -> str:
    parts.child.wait_for(parts.child.store.exists, "the store")
    with beside_daemon(parts.child.store) as tx:
        return tokens.make(tx, "soak", {Scope.READ}, by="soak", now_ms=NOW_MS, ends_ms=None)


def _look(parts: Rig, looks: Looks, hours: float) -> None:
    if looks.hours and hours <= looks.hours[-1]:
        return  # nothing was recorded since
    wal = parts.child.store.with_name(parts.child.store.name + "-wal")
    looks.hours.append(hours)
    looks.used.append(usage(parts.child.pid))
    looks.wal_mb.append(wal.stat().st_size / 1e6 if wal.exists() else 0.0)


def _ask(port: int, key: str, looks: Looks, stop: threading.Event) -> None:
    """Ask for page after page, each on a connection of its own, as programs do."""
    while not stop.is_set():
        for page in ASKED:
            line = http.client.HTTPConnection("127.0.0.1", port, timeout=60.0)
            try:
                line.request("GET", page, headers={"Authorization": f"Bearer {key}"})
                code = line.getresponse().status
            except OSError:
                code = 0
            finally:
                line.close()
            looks.answers[code] = looks.answers.get(code, 0) + 1
            stop.wait(EMPTY_PAUSE_S)
