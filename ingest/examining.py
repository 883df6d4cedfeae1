"""Looking at what the archive holds: whether it is as it was sealed, and making its sums anew."""

from __future__ import annotations

import sqlite3

from ingest import sealing
from ingest.archive import Archive, ArchiveError, Month, digest
from ingest.sealed import Sealed


def problem(archive: Archive, one: Sealed) -> str | None:
    """Compare a sealed month with its row: what is wrong with it and how to mend it, None if nothing is."""
    return problem_of_samples(archive, one) or problem_of_sums(archive, one)


def problem_of_samples(archive: Archive, one: Sealed) -> str | None:
    """Compare the samples of a sealed month with its row."""
    try:
        samples = archive.reread(one.name)
    except ArchiveError as error:
        return str(error)
    if len(samples) != one.samples or digest(samples) != one.digest:
        return (
            f"{one.name} holds {len(samples)} samples, hash {digest(samples)[:12]}, where the store says "
            f"{one.samples}, hash {one.digest[:12]}; put it back from a backup"
        )
    return None


def problem_of_sums(archive: Archive, one: Sealed) -> str | None:
    """Look at the sums of a sealed month whose samples are whole."""
    for step_ms in sealing.STEPS_MS:
        summed = archive.rollup(one.name, step_ms, ())
        if summed is None or int(summed.samples.sum()) != one.samples:
            return (
                f"the sums of {one.name} are missing or damaged, its samples are whole; charts of it "
                "are slow until 'heatbook history verify --mend' has made them anew"
            )
    return None


def mend_sums(conn: sqlite3.Connection, archive: Archive, one: Sealed) -> None:
    """Make the sums of a sealed month anew from its samples.

    Raises
    ------
    ArchiveError
        The samples cannot be read either.
    """
    month = Month.parse(one.month)
    again = sealing.draft(
        conn, vehicle_id=one.vehicle_id, month=month, max_gap_ms=one.max_gap_ms
    )
    if again is not None and not again.new:
        sealing.keep(archive, again.contents)
