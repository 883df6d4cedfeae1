"""Months in the archive and rows in the journal are read as one, however the samples are split."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest import examining, journal, orphans, sealed, sealing
from ingest.archive import Archive, ArchiveError, Month
from ingest.sealed import archive_of, place
from tests.ingest.archives import MAX_GAP_MS
from tests.ingest.folded import memory, newcomer
from tests.recorded import Sample, climb, merged, records, same_bytes

JANUARY = Month(2026, 1)
EVER = {"first_ms": 0, "last_ms": 2**62}
MARCH_MS = Month(2026, 3).first_ms

SLOW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _append(tx: Any, truck: int, samples: Sequence[Sample]) -> None:
    journal.append(tx, vehicle_id=truck, samples=records(samples), received_ms=7)


def _move(tx: Any, truck: int, before_ms: int = MARCH_MS) -> list[Month]:
    """Move all that is over, as the daemon does, in one transaction."""
    archive = archive_of(tx)
    from_ms, done = 0, []
    while month := sealing.next_month(
        tx, vehicle_id=truck, from_ms=from_ms, before_ms=before_ms
    ):
        made = sealing.draft(tx, vehicle_id=truck, month=month, max_gap_ms=MAX_GAP_MS)
        if made is not None:
            if made.new:
                sealing.keep(archive, made.contents)
                sealed.enroll(tx, made.sealed(1))
                if made.before is not None:
                    archive.discard(made.before.name)
            sealing.clear(tx, made.rows, month=month)
            done.append(month)
        from_ms = month.end_ms
    return done


def _read(tx: Any, truck: int, **ends: int) -> NDArray[Any]:
    return journal.read(tx, vehicle_id=truck, **{**EVER, **ends})


@st.composite
def stretches(draw: st.DrawFn) -> list[dict[str, float]]:
    """Samples about the ends of two months, some twice and with other values."""
    found: list[dict[str, float]] = []
    for month in (JANUARY, JANUARY.next, Month(2026, 3)):
        start_ms = month.first_ms + draw(st.sampled_from([-90_000, -1, 0, 1, 40_000_000]))
        found += climb(
            draw(st.integers(1, 6)),
            start_ms=start_ms,
            start_c=draw(st.sampled_from([70.0, 90.0])),
        )
    for sample in draw(st.lists(st.sampled_from(found), max_size=6)):
        other = dict(sample)
        other["fluid_temp_c"] = sample["fluid_temp_c"] + draw(st.sampled_from([-2.0, 0.0, 3.0]))
        if draw(st.booleans()):
            del other["gear"]
            other["coolant_temp_c"] = 88.5
        found.append(other)
    return draw(st.permutations(found))


@SLOW
@given(samples=stretches(), data=st.data())
def test_any_split_between_journal_and_archive_is_read_as_all_of_it_merged(
    samples: list[dict[str, float]], data: st.DataObject
) -> None:
    expected = merged(samples)[0]
    with TemporaryDirectory() as folder:
        tx = memory()
        place(tx, folder)
        truck = newcomer(tx).vehicle_id
        position = 0
        while position < len(samples):
            count = data.draw(st.sampled_from([1, 2, 5, 40]))
            _append(tx, truck, samples[position : position + count])
            position += count
            if data.draw(st.booleans()):
                _move(
                    tx, truck, data.draw(st.sampled_from([Month(2026, 2).first_ms, MARCH_MS]))
                )
        assert same_bytes(_read(tx, truck), expected)
        times = expected["time_ms"]
        low = int(data.draw(st.sampled_from(list(times))))
        high = int(data.draw(st.sampled_from(list(times))))
        inside = expected[(times >= low) & (times <= high)]
        assert same_bytes(_read(tx, truck, first_ms=low, last_ms=high), inside)
        assert journal.span(tx, vehicle_id=truck) == (times[0], times[-1])
        assert journal.newest_ms(tx, vehicle_id=truck) == times[-1]
        _move(tx, truck)
        assert same_bytes(_read(tx, truck), expected)
        (left,) = tx.execute(
            "SELECT count(*) FROM journal WHERE first_ms < ?", (MARCH_MS,)
        ).fetchone()
        assert left == 0
        counts = [each.samples for each in sealed.months(tx, vehicle_id=truck)]
        assert sum(counts) == int((times < MARCH_MS).sum())
        names = [each.name for each in sealed.months(tx, vehicle_id=truck)]
        assert sorted(archive_of(tx).names()) == sorted(names)


def _store(tmp_path: Path) -> tuple[Any, int, Archive]:
    tx = memory()
    place(tx, str(tmp_path / "archive"))
    return tx, newcomer(tx).vehicle_id, archive_of(tx)


def test_a_row_that_lies_across_the_end_of_a_month_is_cut(tmp_path: Path) -> None:
    tx, truck, _ = _store(tmp_path)
    day = climb(10, start_ms=JANUARY.end_ms - 300_000)
    _append(tx, truck, day)
    assert _move(tx, truck, JANUARY.end_ms) == [JANUARY]
    rows = tx.execute("SELECT first_ms, samples, received_ms FROM journal").fetchall()
    assert rows == [(JANUARY.end_ms, 5, 7)]
    assert same_bytes(_read(tx, truck), records(day))


def test_a_month_is_over_only_when_it_has_ended_by_then(tmp_path: Path) -> None:
    tx, truck, _ = _store(tmp_path)
    _append(tx, truck, climb(10, start_ms=JANUARY.first_ms))
    assert _move(tx, truck, JANUARY.end_ms - 1) == []
    assert _move(tx, truck, JANUARY.end_ms) == [JANUARY]


def test_a_move_that_was_done_but_for_the_rows_makes_no_new_generation(tmp_path: Path) -> None:
    tx, truck, archive = _store(tmp_path)
    day = climb(10, start_ms=JANUARY.first_ms)
    _append(tx, truck, day)
    _move(tx, truck)
    _append(tx, truck, day)  # as if they had not gone
    made = sealing.draft(tx, vehicle_id=truck, month=JANUARY, max_gap_ms=MAX_GAP_MS)
    assert made is not None
    assert not made.new
    _move(tx, truck)
    assert len(list(archive.names())) == 1
    assert same_bytes(_read(tx, truck), records(day))


def test_what_does_not_come_back_as_it_was_is_not_sealed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tx, truck, archive = _store(tmp_path)
    day = climb(10, start_ms=JANUARY.first_ms)
    _append(tx, truck, day)
    real = type(archive).reread

    def altered(self: Any, name: str) -> NDArray[Any]:
        samples = real(self, name)
        samples["fluid_temp_c"][3] += 1e-12
        return samples

    monkeypatch.setattr(type(archive), "reread", altered)
    with pytest.raises(ArchiveError, match="as it was written"):
        _move(tx, truck)
    assert sealed.months(tx, vehicle_id=truck) == []
    assert same_bytes(_read(tx, truck), records(day))


def test_months_that_never_were_in_the_journal_can_be_sealed_at_once(tmp_path: Path) -> None:
    tx, truck, archive = _store(tmp_path)
    day = records(climb(30, start_ms=JANUARY.first_ms))
    more = {"vehicle_id": truck, "sealed_ms": 1, "max_gap_ms": MAX_GAP_MS}
    sealing.seal(tx, archive, month="2026-01", samples=day, **more)
    _append(tx, truck, climb(5, start_ms=JANUARY.end_ms))
    assert len(_read(tx, truck)) == 35
    for samples in (day[:0], records(climb(2, start_ms=JANUARY.end_ms - 60_000))):
        with pytest.raises(ValueError, match="all lie in 2026-01"):
            sealing.seal(tx, archive, month="2026-01", samples=samples, **more)


def test_a_missing_file_is_named_and_only_who_needs_it_notices(tmp_path: Path) -> None:
    tx, truck, _ = _store(tmp_path)
    _append(tx, truck, climb(10, start_ms=JANUARY.first_ms) + climb(10, start_ms=MARCH_MS))
    _move(tx, truck)
    (file,) = (tmp_path / "archive" / "samples").rglob("*.parquet")
    body = file.read_bytes()
    file.unlink()
    with pytest.raises(
        ArchiveError, match=r"vehicle=NF-01/2026-01-\w+\.parquet is missing; put"
    ):
        _read(tx, truck)
    assert len(_read(tx, truck, first_ms=MARCH_MS)) == 10
    file.write_bytes(body)
    assert len(_read(tx, truck)) == 20


@pytest.mark.parametrize("place_", [0.1, 0.5, 0.9, 0.999])
def test_a_damaged_file_is_told_as_such(tmp_path: Path, place_: float) -> None:
    tx, truck, _ = _store(tmp_path)
    _append(tx, truck, climb(900, start_ms=JANUARY.first_ms))
    _move(tx, truck)
    (file,) = (tmp_path / "archive" / "samples").rglob("*.parquet")
    body = bytearray(file.read_bytes())
    at = int(len(body) * place_)
    body[at : at + 4] = bytes(each ^ 0x5A for each in body[at : at + 4])
    file.write_bytes(body)
    with pytest.raises(ArchiveError) as told:
        _read(tx, truck)
    assert str(file) in told.value.what
    assert "backup" in told.value.mend


def test_a_store_that_does_not_know_its_archive_says_so() -> None:
    with pytest.raises(ArchiveError, match="does not say where its archive is"):
        archive_of(memory())


def test_an_archive_of_another_kind_is_refused() -> None:
    tx = memory()
    place(tx, "x", kind="stone")
    with pytest.raises(ArchiveError, match="'stone'"):
        archive_of(tx)


def test_the_place_of_the_archive_is_written_once_and_may_change() -> None:
    tx = memory()
    place(tx, "one")
    before = tx.total_changes
    place(tx, "one")
    assert tx.total_changes == before
    place(tx, "two")
    assert tx.execute("SELECT place FROM archive_place").fetchall() == [("two",)]


def test_what_a_dead_move_has_left_may_go_and_what_the_store_lacks_stays(
    tmp_path: Path,
) -> None:
    tx, truck, archive = _store(tmp_path)
    day = climb(10, start_ms=JANUARY.first_ms)
    _append(tx, truck, day)
    made = sealing.draft(tx, vehicle_id=truck, month=JANUARY, max_gap_ms=MAX_GAP_MS)
    assert made is not None
    sealing.keep(archive, made.contents)  # and dies here
    assert [each.problem for each in orphans.find(tx, archive)] == [None]
    tx.execute("DELETE FROM journal")
    (left,) = orphans.find(tx, archive)
    assert left.problem is not None
    assert "10 samples that the store does not know" in left.problem


def test_the_rows_of_a_day_that_is_over_become_one(tmp_path: Path) -> None:
    tx, truck, _ = _store(tmp_path)
    other = newcomer(tx, "NF-02").vehicle_id
    midnight_ms = JANUARY.first_ms + sealing.DAY_MS
    day = climb(40, start_ms=midnight_ms - 600_000)
    again = [{**day[3], "fluid_temp_c": 99.0}, {**day[5], "coolant_temp_c": 80.0}]
    for sample in [*day, *again]:
        _append(tx, truck, [sample])
        _append(tx, other, [sample])
    _append(tx, truck, day[8:13])  # lies across midnight
    before = _read(tx, truck)
    days = sealing.scattered_days(tx, vehicle_id=truck, before_ms=midnight_ms + 1)
    assert days == [JANUARY.first_ms]
    sealing.gather(tx, vehicle_id=truck, day_ms=JANUARY.first_ms)
    assert same_bytes(_read(tx, truck), before)
    rows = tx.execute(
        "SELECT samples FROM journal WHERE vehicle_id = ? AND last_ms < ?", (truck, midnight_ms)
    )
    assert rows.fetchall() == [(10,)]
    assert sealing.scattered_days(tx, vehicle_id=truck, before_ms=midnight_ms) == []
    assert same_bytes(_read(tx, other), before)
    days = sealing.scattered_days(tx, vehicle_id=truck, before_ms=midnight_ms + sealing.DAY_MS)
    assert days == [midnight_ms]


def test_a_day_of_more_rows_than_a_statement_takes_is_gathered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing, "SLICE_ROWS", 7)
    tx, truck, _ = _store(tmp_path)
    day = climb(50, start_ms=JANUARY.first_ms)
    for sample in day:
        _append(tx, truck, [sample])
    sealing.gather(tx, vehicle_id=truck, day_ms=JANUARY.first_ms)
    assert tx.execute("SELECT samples FROM journal").fetchall() == [(50,)]
    assert same_bytes(_read(tx, truck), records(day))


@pytest.mark.parametrize("kind", ["samples", "minutes", "hours"])
def test_an_examination_finds_what_is_not_as_it_was_sealed(tmp_path: Path, kind: str) -> None:
    tx, truck, archive = _store(tmp_path)
    _append(tx, truck, climb(10, start_ms=JANUARY.first_ms))
    _move(tx, truck)
    (one,) = sealed.months(tx, vehicle_id=truck)
    assert examining.problem(archive, one) is None
    (file,) = (tmp_path / "archive" / kind).rglob("*.parquet")
    file.write_bytes(file.read_bytes()[:-9])
    found = examining.problem(archive, one)
    assert found is not None
    assert one.name in found
    if kind == "samples":
        with pytest.raises(ArchiveError):
            examining.mend_sums(tx, archive, one)
    else:
        examining.mend_sums(tx, archive, one)
        assert examining.problem(archive, one) is None


def test_an_examination_finds_another_months_file_in_its_place(tmp_path: Path) -> None:
    tx, truck, archive = _store(tmp_path)
    _append(tx, truck, climb(10, start_ms=JANUARY.first_ms))
    _append(tx, truck, climb(10, start_ms=JANUARY.end_ms))
    _move(tx, truck)
    january, february = (tmp_path / "archive" / "samples").rglob("*.parquet")
    january.write_bytes(february.read_bytes())
    found = [examining.problem(archive, one) for one in sealed.months(tx, vehicle_id=truck)]
    assert sum(each is not None for each in found) == 1
    assert any("where the store says" in each for each in found if each is not None)
