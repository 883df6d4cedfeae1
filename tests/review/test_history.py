"""A truck's history reads the same wherever it lies: in the store, in the archive, in both."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from deploy.database import Database
from ingest import journal, sealing
from ingest.archive import Month
from ingest.rollup import HOUR_MS, MINUTE_MS, Rollup, rollup
from ingest.sealed import archive_of, place
from review import history
from review.history import Step
from review.reading import Reader
from review.series import series
from review.trucks import courses_of
from tests.deploy.moved import RULES, move
from tests.deploy.store import FLEET, store
from tests.ingest.folded import newcomer
from tests.recorded import climb, records, same_bytes

JANUARY = Month(2026, 1)
DAY_MS = 86_400_000
NOW_MS = Month(2026, 3).end_ms + 34 * DAY_MS  # February is over for long enough, March is not
DAY = sorted(
    [
        each
        for start_ms in (
            JANUARY.first_ms + 5 * DAY_MS,
            JANUARY.end_ms - 20 * 60_000,  # across the end of a month
            JANUARY.next.end_ms - 90 * 60_000,  # across the end of what is sealed
            Month(2026, 3).first_ms + 9 * DAY_MS,
        )
        for each in climb(180, start_ms=start_ms, period_ms=20_000, slope_k_min=0.5)
    ],
    key=lambda each: each["time_ms"],
)
ALL = records(DAY)
EVER = (JANUARY.first_ms, NOW_MS)
MAX_GAP_MS = 300_000


def _filled(database: Database, samples: NDArray[Any]) -> int:
    with database.write() as tx:
        truck = newcomer(tx).vehicle_id
        for start in range(0, len(samples), 7):
            journal.append(
                tx, vehicle_id=truck, samples=samples[start : start + 7], received_ms=1
            )
    return truck


def _hot(database: Database) -> None:
    _filled(database, ALL)


def _moved(database: Database) -> None:
    _filled(database, ALL)
    assert move(database, now_ms=NOW_MS).months == 2


def _moved_and_late(database: Database) -> None:
    late = np.arange(len(ALL)) % 50 == 7
    truck = _filled(database, ALL[~late])
    move(database, now_ms=NOW_MS)
    with database.write() as tx:
        journal.append(tx, vehicle_id=truck, samples=ALL[late], received_ms=1)


def _without_sums(database: Database) -> None:
    _moved(database)
    for file in (database.path.parent / "archive" / "minutes").rglob("*.parquet"):
        file.unlink()
    for file in (database.path.parent / "archive" / "hours").rglob("*.parquet"):
        file.write_bytes(b"PAR1 damaged")


PLACES = {
    "in the store": _hot,
    "moved": _moved,
    "moved, and some late": _moved_and_late,
    "moved, its sums lost": _without_sums,
}
STEPS: tuple[Step, ...] = get_args(Step)


def same(found: Rollup, wanted: Rollup) -> None:
    np.testing.assert_array_equal(found.start_ms, wanted.start_ms)
    np.testing.assert_array_equal(found.samples, wanted.samples)
    np.testing.assert_allclose(found.bands_s, wanted.bands_s, rtol=1e-9, atol=1e-9)
    assert found.signals.keys() == wanted.signals.keys()
    for name, one in found.signals.items():
        for what in ("low", "mean", "high", "count"):
            np.testing.assert_array_equal(
                getattr(one, what), getattr(wanted.signals[name], what)
            )


@pytest.mark.parametrize("lie", sorted(PLACES))
def test_samples_and_sums_are_those_of_all_samples_wherever_they_lie(
    tmp_path: Path, lie: str
) -> None:
    with store(tmp_path) as database:
        PLACES[lie](database)
        with database.read() as conn:
            assert same_bytes(history.samples(conn, "NF-01", *EVER), ALL)
            assert history.span(conn, "NF-01") == (ALL["time_ms"][0], ALL["time_ms"][-1])
            for step in STEPS:
                wanted = rollup(ALL, step_ms=history.STEPS_MS[step], max_gap_ms=MAX_GAP_MS)
                same(history.rollup(conn, "NF-01", *EVER, step=step), wanted)


@pytest.mark.parametrize("step", STEPS)
def test_a_part_is_that_part_of_the_whole(tmp_path: Path, step: Step) -> None:
    step_ms = history.STEPS_MS[step]
    with store(tmp_path) as database:
        _moved(database)
        with database.read() as conn:
            whole = history.rollup(conn, "NF-01", *EVER, step=step, signals=("gear",))
            for first_ms, last_ms in (
                (int(ALL["time_ms"][40]), int(ALL["time_ms"][700])),
                (JANUARY.end_ms, JANUARY.end_ms),
                (JANUARY.end_ms - 1, JANUARY.next.end_ms + 3),
                (JANUARY.next.end_ms - 5 * DAY_MS, NOW_MS),
            ):
                part = history.rollup(
                    conn, "NF-01", first_ms, last_ms, step=step, signals=("gear",)
                )
                inside = (whole.start_ms > first_ms - step_ms) & (whole.start_ms <= last_ms)
                np.testing.assert_array_equal(part.start_ms, whole.start_ms[inside])
                np.testing.assert_array_equal(part.bands_s, whole.bands_s[inside])
                np.testing.assert_array_equal(
                    part.signals["gear"].mean, whole.signals["gear"].mean[inside]
                )


def test_another_longest_gap_is_honoured(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        _moved(database)
        with database.read() as conn:
            found = history.rollup(conn, "NF-01", *EVER, step="1h", max_gap_ms=10_000)
        assert found.seen_s.sum() == 0.0
        assert found.samples.sum() == len(ALL)


def test_sealed_months_are_drawn_without_a_look_at_their_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store(tmp_path) as database:
        _moved(database)
        looked: list[tuple[int, int]] = []
        real: Callable[..., NDArray[Any]] = journal.read

        def read(conn: Any, *, vehicle_id: int, first_ms: int, last_ms: int) -> NDArray[Any]:
            looked.append((first_ms, last_ms))
            return real(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)

        monkeypatch.setattr(journal, "read", read)
        with database.read() as conn:
            history.rollup(conn, "NF-01", *EVER, step="1h")
    assert min(first for first, _ in looked) >= JANUARY.next.end_ms - MAX_GAP_MS


def test_a_chart_is_drawn_from_the_sums_whatever_gap_the_settings_allow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Months are summed up by the settings: whoever asks by another gap would read every sample."""
    courses = courses_of(FLEET, max_gap_s=120.0, silent_after_s=1800.0)
    rules = replace(RULES, max_gap_ms=120_000)
    reader = Reader(fleet=FLEET, courses=courses, now_ms=lambda: NOW_MS, version="tests")
    assert reader.max_gap_ms == rules.max_gap_ms
    with store(tmp_path) as database:
        _filled(database, ALL)
        move(database, now_ms=NOW_MS, rules=rules, courses=courses)
        looked: list[int] = []
        real: Callable[..., NDArray[Any]] = journal.read

        def read(conn: Any, *, vehicle_id: int, first_ms: int, last_ms: int) -> NDArray[Any]:
            looked.append(first_ms)
            return real(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)

        monkeypatch.setattr(journal, "read", read)
        with database.read() as conn:
            found = series(conn, reader, "NF-01", first_ms=EVER[0], last_ms=EVER[1])
    assert len(found.time_ms) == len(set((ALL["time_ms"] // found.bucket_ms).tolist()))
    assert min(looked) >= JANUARY.next.end_ms - rules.max_gap_ms


def test_a_truck_never_heard_has_an_empty_history(tmp_path: Path) -> None:
    with store(tmp_path) as database, database.read() as conn:
        assert history.span(conn, "NF-09") is None
        assert len(history.samples(conn, "NF-09", *EVER)) == 0
        assert len(history.rollup(conn, "NF-09", *EVER, step="1h").start_ms) == 0
        assert len(history.frame(history.samples(conn, "NF-09", *EVER))) == 0


def test_a_seam_between_sealed_months_loses_no_second(tmp_path: Path) -> None:
    # Sealed at once and not moved: each month then knows only itself, and its neighbours' rows.
    with store(tmp_path) as database:
        cut = int(np.searchsorted(ALL["time_ms"], JANUARY.end_ms))
        with database.write() as tx:
            place(tx, "archive")
            truck = newcomer(tx).vehicle_id
            for month, part in (("2026-01", ALL[:cut]), ("2026-02", ALL[cut : cut + 400])):
                sealing.seal(
                    tx,
                    archive_of(tx),
                    vehicle_id=truck,
                    month=month,
                    samples=part,
                    sealed_ms=1,
                    max_gap_ms=MAX_GAP_MS,
                )
        with database.read() as conn:
            found = history.rollup(conn, "NF-01", *EVER, step="1min").seen_s.sum()
        wanted = rollup(ALL[: cut + 400], step_ms=MINUTE_MS, max_gap_ms=MAX_GAP_MS).seen_s.sum()
        assert found == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("days", "points", "wanted"),
    [
        (365, 1500, "1h"),
        (730, 1500, "1h"),
        (30, 1500, "1min"),
        (0.25, 1500, "raw"),
        (62, 1488, "1h"),
    ],
)
def test_the_step_follows_from_span_and_points(days: float, points: int, wanted: str) -> None:
    assert history.best_step(round(days * DAY_MS), points) == wanted
    assert history.STEPS_MS == {"1min": MINUTE_MS, "1h": HOUR_MS}


def test_a_seam_that_comes_late_is_seen_after_the_next_move(tmp_path: Path) -> None:
    # The first hour of February comes when January is sealed already, and February too.
    cut = int(np.searchsorted(ALL["time_ms"], JANUARY.end_ms))
    late = slice(cut, cut + 180)
    rest = np.ones(len(ALL), bool)
    rest[late] = False
    with store(tmp_path) as database:
        truck = _filled(database, ALL[rest])
        move(database, now_ms=NOW_MS)
        with database.write() as tx:
            journal.append(tx, vehicle_id=truck, samples=ALL[late], received_ms=1)
        assert move(database, now_ms=NOW_MS).months == 1
        wanted = rollup(ALL, step_ms=HOUR_MS, max_gap_ms=MAX_GAP_MS)
        with database.read() as conn:
            same(history.rollup(conn, "NF-01", *EVER, step="1h"), wanted)
