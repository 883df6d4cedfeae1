"""The archive's server away for a week, a different way each day; then it is back and gets all of it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

from alerts.journal import history
from deploy.database import Database
from deploy.waiting import until
from tests.deploy.fed import Fed, section
from tests.deploy.store import pipeline, store
from tests.influx_stub import Stub, problem, stub
from tests.recorded import NOON_MS, Sample, climb, message
from tests.torture.figures import Figure, told, yes
from tests.torture.proc import usage
from tests.torture.proxy import Proxy, bad_line

DAYS, HOURS = 7, 24
HOUR_MS = 3_600_000
PATIENCE_S, USUAL_PATIENCE_S = 0.3, 10.0
"""How long the feeder waits for an answer while the server is away, and usually [s]: one that hangs takes
longer than the first."""

GROWTH_MB = 50.0
DRAINED_S = 120.0
TRIES_EVERY_H = 2

Spoil = Callable[[Stub, Proxy], None]


def archive_week(folder: Path, seed: int, *, trucks: int, period_s: int) -> Figure:
    """Commit a week of trucks while the archive's server is away; alarms go on, and nothing is lost."""
    rng = Random(f"{seed}/archive")
    folder.mkdir(parents=True, exist_ok=True)
    away = [_refuses, _overloaded, _hangs, _unauthorized, _cuts, _too_many, _fails]
    rng.shuffle(away)
    names = [f"NF-{number:02d}" for number in range(1, trucks + 1)]
    with stub() as far, bad_line("127.0.0.1", int(far.url.rpartition(":")[2]), rng) as line:
        fed = Fed(folder, section(f"http://127.0.0.1:{line.port}", timeout_s=PATIENCE_S))
        running = pipeline(fed.database)
        before_mb, troubles, tries = 0.0, set[str](), 0
        wanted: list[tuple[str, int]] = []
        for number, hour in enumerate(_hours(names, period_s)):
            running.commit([message(name, samples) for name, samples in hour.items()])
            wanted += [
                (f"samples,vehicle={name}", int(each["time_ms"]))
                for name, samples in hour.items()
                for each in samples
            ]
            if number % TRIES_EVERY_H == 0:
                away[number // HOURS](far, line)
                fed.feeder.once()
                tries += 1
                troubles.add(fed.state.trouble)
            if number == HOURS:  # all is loaded and compiled by now
                before_mb = usage(os.getpid()).rss_mb
        early = len(far.points)
        waiting = fed.state.rows_waiting
        # Now: what comes back is kept by the far side, in this process.
        grew_mb = usage(os.getpid()).rss_mb - before_mb
        _is_back(far, line)
        fed.influx = section(f"http://127.0.0.1:{line.port}", timeout_s=USUAL_PATIENCE_S)
        fed.again()
        began = time.monotonic()
        _drain(fed)
        state = fed.state
        took_s = time.monotonic() - began
        kept = far.vehicles()
        same = _alarms(fed.database) == _undisturbed(folder / "alone", names, period_s)
        fed.close()
    wanted.sort()
    lost = len(set(wanted) - set(kept))
    return told(
        "archive_week",
        faults=(
            f"the archive's server away for {DAYS} days: refused, 503, no answer, 401, cut off, 429, "
            f"500; tried {tries} times"
        ),
        found=(
            f"{len(wanted)} samples of {trucks} trucks",
            f"{early} taken by the server that did not answer, and sent again",
            f"{waiting} rows waited in the store",
            f"all sent in {took_s:.1f} s once it was back ({len(wanted) / took_s:.0f} samples/s)",
            f"{lost} lost",
            f"{len(kept) - len(set(kept))} doubled",
            f"alarms as without an archive: {yes(same)}",
            f"memory {grew_mb:+.0f} MB while it was away",
        ),
        seed=seed,
        fine=(
            kept == wanted
            and state.rows_waiting == 0
            and troubles == {"away", "settings"}
            and same
            and grew_mb < GROWTH_MB
        ),
    )


def _hours(names: list[str], period_s: int) -> Iterator[dict[str, list[Sample]]]:
    """Give the week hour by hour: in each a pull that ends too hot."""
    for hour in range(DAYS * HOURS):
        start_ms = NOON_MS + hour * HOUR_MS
        samples: list[Sample] = [
            *climb(60, start_ms=start_ms, period_ms=period_s * 1000, highest_c=125.0)
        ]
        yield dict.fromkeys(names, samples)


def _alarms(database: Database) -> list[object]:
    with database.read() as conn:
        return [repr(each) for each in history(conn)]


def _undisturbed(folder: Path, names: list[str], period_s: int) -> list[object]:
    folder.mkdir()
    with store(folder) as database:
        running = pipeline(database)
        for hour in _hours(names, period_s):
            running.commit([message(name, samples) for name, samples in hour.items()])
        return _alarms(database)


def _answers(far: Stub, line: Proxy, answer: object) -> None:
    line.manners.refuse = False
    far.answers.clear()
    far.answers.extend([answer] * 50)  # type: ignore[list-item]


def _refuses(_far: Stub, line: Proxy) -> None:
    line.manners.refuse = True
    line.cut()


def _overloaded(far: Stub, line: Proxy) -> None:
    _answers(far, line, problem(503, "overloaded"))


def _hangs(far: Stub, line: Proxy) -> None:
    _answers(far, line, "slow")
    line.deaden()


def _unauthorized(far: Stub, line: Proxy) -> None:
    _answers(far, line, problem(401, "unauthorized access"))


def _cuts(far: Stub, line: Proxy) -> None:
    _answers(far, line, "cut")


def _too_many(far: Stub, line: Proxy) -> None:
    _answers(far, line, problem(429, "too many requests"))


def _fails(far: Stub, line: Proxy) -> None:
    _answers(far, line, problem(500, "internal error"))


def _drain(fed: Fed) -> None:
    """Feed until all is there; the first try may still meet a line that was cut."""
    until(lambda: not fed.feeder.once() and not fed.state.trouble, DRAINED_S)


def _is_back(far: Stub, line: Proxy) -> None:
    line.manners.refuse = False
    far.answers.clear()
    line.cut()
