"""What every archive must do: another one is a line in ``tests/ingest/archives.py``."""

from __future__ import annotations

import hashlib
import math
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.archive import Archive, ArchiveError, Month, digest
from ingest.codec import absent
from ingest.rollup import HOUR_MS, MINUTE_MS
from models.sample import SIGNAL_NAMES
from tests.ingest.archives import ARCHIVES, MONTH, contents
from tests.recorded import climb, records, same_bytes

EVER = (-(2**62), 2**62)


@pytest.fixture(params=sorted(ARCHIVES))
def archive(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Archive]:
    with ARCHIVES[request.param](tmp_path / "archive") as opened:
        yield opened


def test_what_was_kept_is_read_to_the_last_bit(archive: Archive) -> None:
    month = contents()
    archive.keep(month)
    assert same_bytes(archive.read(month.name, *EVER), month.samples)
    assert same_bytes(archive.reread(month.name), month.samples)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    values=st.lists(
        st.lists(
            st.one_of(
                st.just(math.nan),
                st.floats(allow_nan=False, allow_infinity=True, allow_subnormal=True),
            ),
            min_size=len(SIGNAL_NAMES),
            max_size=len(SIGNAL_NAMES),
        ),
        min_size=1,
        max_size=40,
    ),
    steps=st.lists(st.integers(1, 10_000_000), min_size=40, max_size=40),
)
def test_every_number_there_is_comes_back(
    archive: Archive, values: list[list[float]], steps: list[int]
) -> None:
    samples = absent(len(values))
    samples["time_ms"] = MONTH.first_ms + np.cumsum(steps[: len(values)])
    for column, name in enumerate(SIGNAL_NAMES):
        samples[name] = [row[column] for row in values]
    samples["fluid_temp_c"] = np.clip(samples["fluid_temp_c"], -60.0, 300.0)
    with np.errstate(
        over="ignore", invalid="ignore"
    ):  # no signal may be so large; their sums overflow
        month = contents(samples)
    archive.keep(month)
    assert same_bytes(archive.reread(month.name), month.samples)


@pytest.mark.parametrize("rows", [1, 200, 16_384, 16_385, 40_000])
def test_a_span_is_read_with_both_ends(archive: Archive, rows: int) -> None:
    samples = absent(rows)
    samples["time_ms"] = MONTH.first_ms + 10_000 * np.arange(rows)
    samples["fluid_temp_c"] = np.arange(rows) / 7.0
    month = contents(samples)
    archive.keep(month)
    times = samples["time_ms"]
    for low, high in ((0, 0), (0, rows - 1), (rows // 2, rows - 1), (rows // 3, rows // 3 + 5)):
        last = min(high, rows - 1)
        found = archive.read(month.name, int(times[low]), int(times[last]))
        assert same_bytes(found, month.samples[low : last + 1])
    assert len(archive.read(month.name, int(times[-1]) + 1, EVER[1])) == 0
    assert len(archive.read(month.name, int(times[0]) + 1, int(times[0]) + 2)) == 0


def test_what_is_read_may_be_changed_without_harm(archive: Archive) -> None:
    month = contents()
    archive.keep(month)
    archive.read(month.name, *EVER)["fluid_temp_c"] = 0.0
    assert same_bytes(archive.read(month.name, *EVER), month.samples)


@pytest.mark.parametrize("step_ms", [MINUTE_MS, HOUR_MS])
def test_a_rollup_comes_back_as_it_was_made(archive: Archive, step_ms: int) -> None:
    month = contents()
    archive.keep(month)
    (made,) = [one for one in month.rollups if one.step_ms == step_ms]
    found = archive.rollup(month.name, step_ms, ("gear", "fluid_temp_c", "coolant_temp_c"))
    assert found is not None
    assert tuple(found.signals) == ("gear", "fluid_temp_c", "coolant_temp_c")
    for name in ("start_ms", "samples", "bands_s"):
        np.testing.assert_array_equal(getattr(found, name), getattr(made, name))
    for name, one in found.signals.items():
        for what in ("low", "mean", "high", "count"):
            np.testing.assert_array_equal(getattr(one, what), getattr(made.signals[name], what))


def test_trucks_months_and_contents_have_names_of_their_own(archive: Archive) -> None:
    day = climb(30, start_ms=MONTH.first_ms)
    other = [*day[:-1], {**day[-1], "fluid_temp_c": 99.0}]
    later = Month(2026, 2)
    kept = [
        contents(records(day)),
        contents(records(other)),
        contents(records(day), vehicle="nf-01"),
        contents(records(day), vehicle=".."),
        contents(records(climb(30, start_ms=later.first_ms)), month=later),
    ]
    for each in kept:
        archive.keep(each)
    assert sorted(archive.names()) == sorted({each.name for each in kept})
    for each in kept:
        assert same_bytes(archive.read(each.name, *EVER), each.samples)


def test_keeping_a_month_again_changes_nothing(archive: Archive) -> None:
    month = contents()
    archive.keep(month)
    archive.keep(month)
    assert list(archive.names()) == [month.name]
    assert same_bytes(archive.reread(month.name), month.samples)


def test_a_discarded_month_can_be_read_until_the_sweep(archive: Archive) -> None:
    month = contents()
    archive.keep(month)
    archive.discard(month.name)
    archive.discard(month.name)
    assert list(archive.names()) == []
    assert same_bytes(archive.read(month.name, *EVER), month.samples)
    archive.sweep()
    with pytest.raises(ArchiveError, match="missing"):
        archive.read(month.name, *EVER)
    assert archive.rollup(month.name, HOUR_MS, ("gear",)) is None


def test_a_month_that_was_never_kept_is_named(archive: Archive) -> None:
    with pytest.raises(ArchiveError, match=r"vehicle=NF-09/2026-01-0123.*backup"):
        archive.read("vehicle=NF-09/2026-01-0123", *EVER)
    assert list(archive.names()) == []
    archive.sweep()


def test_the_hash_is_of_the_data_alone() -> None:
    # Recomputed from the words of ``digest``, with the standard library.
    samples = records(climb(3))
    told = hashlib.sha256()
    for row in samples:
        told.update(struct.pack("<q", int(row["time_ms"])))
        for name in SIGNAL_NAMES:
            number = float(row[name])
            told.update(
                bytes.fromhex("000000000000f87f")
                if math.isnan(number)
                else struct.pack("<d", number)
            )
    assert digest(samples) == told.hexdigest()
