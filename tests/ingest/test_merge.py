"""One sample per truck and millisecond, whatever the order of arrival."""

from __future__ import annotations

from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ingest.merge import Conflict, fresh_rows, in_order, merge
from tests.recorded import Sample, climb, merged, records, same_bytes

#: Few times, few values: many samples meet.
crowded = st.lists(
    st.builds(
        lambda time_ms, values: {"time_ms": float(time_ms), **values},
        st.integers(1, 5),
        st.dictionaries(
            st.sampled_from(["fluid_temp_c", "gear", "lockup", "odometer_km"]),
            st.sampled_from([-1.0, 0.0, 1.0, 80.0, 80.5]),
            min_size=1,
        ),
    ),
    min_size=1,
    max_size=12,
)


def _losers(found: list[Conflict]) -> set[tuple[int, str, float]]:
    return {(one.time_ms, one.signal, one.value) for one in found}


def test_of_two_values_the_greater_wins_and_the_other_is_named() -> None:
    table, conflicts = merge(
        records(
            [
                {"time_ms": 5, "fluid_temp_c": 90.0, "gear": 3.0},
                {"time_ms": 5, "fluid_temp_c": 91.0, "odometer_km": 7.0},
            ]
        )
    )
    whole = {"time_ms": 5, "fluid_temp_c": 91.0, "gear": 3.0, "odometer_km": 7.0}
    assert same_bytes(table, records([whole]))
    assert conflicts == [Conflict(time_ms=5, signal="fluid_temp_c", value=90.0)]


def test_samples_in_order_are_left_alone() -> None:
    table = records(climb(10))
    assert in_order(table)
    found, conflicts = merge(table)
    assert found is table
    assert conflicts == []


@given(crowded, st.randoms(use_true_random=False))
def test_merging_does_not_depend_on_the_order(samples: list[Sample], rng: Random) -> None:
    expected, losers = merged(samples)
    shuffled = list(samples)
    rng.shuffle(shuffled)
    table, conflicts = merge(records(shuffled))
    assert same_bytes(table, expected)
    assert _losers(conflicts) == losers


@given(crowded, crowded)
def test_merging_in_two_steps_is_merging_at_once(
    first: list[Sample], then: list[Sample]
) -> None:
    known, before = merge(records(first))
    offered, within = merge(records(then))
    both, between = merge(np.concatenate([known, offered]))
    expected, losers = merged([*first, *then])
    assert same_bytes(both, expected)
    assert _losers(before) | _losers(within) | _losers(between) == losers


@given(crowded, crowded)
def test_a_row_is_fresh_if_and_only_if_it_changes_what_is_known(
    first: list[Sample], then: list[Sample]
) -> None:
    known, offered = merge(records(first))[0], merge(records(then))[0]
    fresh = fresh_rows(known, offered)
    for row, expected in enumerate(fresh):
        after = merge(np.concatenate([known, offered[row : row + 1]]))[0]
        assert same_bytes(after, known) is not bool(expected)
    # And leaving the stale ones out loses nothing.
    assert same_bytes(
        merge(np.concatenate([known, offered[fresh]]))[0],
        merge(np.concatenate([known, offered]))[0],
    )


def test_everything_is_fresh_where_nothing_is_known() -> None:
    assert fresh_rows(records([]), records(climb(3))).all()
