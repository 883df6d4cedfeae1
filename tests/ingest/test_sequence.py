"""The gateway's counter: what came, what is missing."""

from __future__ import annotations

from itertools import pairwise
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from ingest.sequence import BASE_WAIT_MS, HOLE_KEPT_MS, MOST_SPANS, Sequence, note

counted = st.sets(st.integers(0, 60), min_size=1, max_size=40)


def _stamped(values: set[int]) -> list[tuple[int, int]]:
    """Give each value the time at which its sample was taken."""
    return [(1000 + 10 * value, value) for value in sorted(values)]


def _pairs(found: Sequence) -> list[tuple[int, int]]:
    return [(first, last) for first, last, _ in found.spans]


@given(counted, st.randoms(use_true_random=False), st.integers(1, 9))
def test_one_run_of_a_counter_is_the_same_in_any_order(
    values: set[int], rng: Random, size: int
) -> None:
    arrived = _stamped(values)
    arrived += rng.sample(arrived, k=min(3, len(arrived)))
    rng.shuffle(arrived)
    found = Sequence()
    for start in range(0, len(arrived), size):
        found = note(found, arrived[start : start + size])
    assert found == note(Sequence(), _stamped(values))
    assert found.missing == max(values) - min(values) + 1 - len(values)
    assert {v for first, last, _ in found.spans for v in range(first, last + 1)} == values


@given(counted)
def test_up_to_the_gap_free_value_nothing_is_missing(values: set[int]) -> None:
    found = note(Sequence(), _stamped(values))
    if min(values) > 1:  # lower values may still come
        assert found.gap_free is None
        found = note(found, [], received_ms=BASE_WAIT_MS)
    assert found.gap_free is not None
    assert set(range(min(values), found.gap_free + 1)) <= values
    assert found.gap_free + 1 not in values


@given(
    arrived=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), max_size=12),
    cuts=st.sets(st.integers(1, 11)),
)
def test_how_the_values_are_cut_into_commits_leaves_no_trace(
    arrived: list[tuple[int, int]], cuts: set[int]
) -> None:
    whole = note(Sequence(), arrived)
    places = [0, *sorted(cuts), len(arrived)]
    parts = Sequence()
    for first, last in pairwise(places):
        parts = note(parts, arrived[first:last])
    single = Sequence()
    for one in arrived:
        single = note(single, [one])
    assert whole == parts == single


def test_nothing_has_come_yet() -> None:
    assert Sequence().gap_free is None
    assert Sequence().missing == 0


def test_spans_are_closed_and_kept_apart() -> None:
    found = note(Sequence(), _stamped({1, 2, 3, 7, 8, 12}))
    assert _pairs(found) == [(1, 3), (7, 8), (12, 12)]
    assert (found.gap_free, found.missing) == (3, 6)
    found = note(found, _stamped({4, 5, 6}))
    assert _pairs(found) == [(1, 8), (12, 12)]


def test_a_counter_that_starts_again_begins_a_new_run() -> None:
    found = note(Sequence(), [(1000, 50), (1010, 51), (1030, 53)])
    assert found.missing == 1
    found = note(found, [(2000, 0), (2010, 1), (2020, 2)])
    assert (found.gap_free, found.since_ms) == (2, 1030)
    assert found.missing == 1  # what the earlier run lacked stays counted
    late = note(found, [(1020, 52)])
    assert late == found  # late, and of the earlier run


def test_a_repeated_sample_is_not_taken_for_a_restart() -> None:
    found = note(Sequence(), [(1000, 5), (1010, 6)])
    assert note(found, [(1010, 6), (1000, 5)]) == found


def test_an_earlier_value_of_the_same_run_may_come_late() -> None:
    found = note(Sequence(), [(1010, 6)])
    found = note(found, [(1000, 5)])
    assert _pairs(found) == [(5, 6)]
    assert found.since_ms == 0


def test_a_refused_sample_leaves_no_hole_for_the_gateway_to_wait_for() -> None:
    found = note(Sequence(), _stamped({1, 2, 4}))
    assert found.gap_free == 2
    found = note(found, [], refused=[3])
    assert (found.gap_free, found.missing) == (4, 0)


def test_a_refused_value_far_from_all_others_is_not_believed() -> None:
    found = note(Sequence(), _stamped({5, 6}))
    assert note(found, [], refused=[10**15, 0]) == found


def test_a_hole_that_nobody_fills_is_closed_after_a_day_and_counted() -> None:
    found = note(Sequence(), _stamped({1, 2, 7}), received_ms=1_000)
    found = note(found, _stamped({20}), received_ms=5_000)
    found = note(found, _stamped({21}), received_ms=1_000 + HOLE_KEPT_MS - 1)
    assert found.gap_free == 2
    found = note(found, _stamped({22}), received_ms=1_000 + HOLE_KEPT_MS)
    assert (found.gap_free, found.missing) == (
        7,
        4 + 12,
    )  # the younger hole is still waited for
    found = note(found, _stamped({23}), received_ms=5_000 + HOLE_KEPT_MS)
    assert (found.gap_free, found.missing) == (23, 4 + 12)


def test_the_clock_of_a_hole_stands_still_while_the_truck_is_not_heard() -> None:
    found = note(Sequence(), _stamped({1, 500}), received_ms=0)
    weekend = 3 * HOLE_KEPT_MS
    found = note(found, _stamped(set(range(2, 100))), received_ms=weekend, away_ms=weekend)
    assert found.gap_free == 99


def test_a_hole_that_is_being_filled_is_not_closed() -> None:
    found = note(Sequence(), _stamped({1, 500}), received_ms=0)
    for hour in range(1, 60):
        found = note(found, _stamped({hour + 1}), received_ms=hour * 3_600_000)
        assert found.gap_free == hour + 1


def test_a_late_value_with_a_clock_that_was_ahead_is_no_restart() -> None:
    found = note(Sequence(), _stamped({1, 2, 4, 5}))
    found = note(found, [(99_000, 3)])
    assert (found.gap_free, found.missing) == (5, 0)
    assert note(found, [(1_060, 6)]).gap_free == 6


def test_samples_of_an_earlier_run_that_come_again_prove_nothing_of_this_one() -> None:
    found = note(Sequence(), _stamped({*range(60)}))
    found = note(found, [(9_000, 1), (9_010, 2)])
    assert note(found, _stamped({*range(60)})).gap_free == 2


def test_a_counter_that_leaves_out_values_does_not_grow_for_ever() -> None:
    found = note(Sequence(), [(time, 2 * time - 1) for time in range(1, 3_000)])
    assert len(found.spans) <= MOST_SPANS
    assert found.gap_free == 1


def test_a_gateway_that_sends_the_newest_first_is_not_told_that_the_rest_is_safe() -> None:
    found = note(Sequence(), _stamped({500, 501}), received_ms=1_000)
    assert found.gap_free is None
    found = note(found, _stamped(set(range(1, 500))), received_ms=2_000)
    assert found.gap_free == 501


def test_a_counter_that_never_began_at_one_is_believed_after_a_while_of_hearing_it() -> None:
    found = note(Sequence(), _stamped({500}), received_ms=1_000)
    away = note(found, _stamped({501}), received_ms=9 * BASE_WAIT_MS, away_ms=9 * BASE_WAIT_MS)
    assert away.gap_free is None
    heard = note(found, _stamped({501}), received_ms=1_000 + BASE_WAIT_MS)
    assert heard.gap_free == 501
