"""Guessing is slow, and shuts nobody out: OWASP ASVS 4, 2.2.1 (from memory): not more than 100 an hour."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from review.access import throttle
from review.access.throttle import FREE, LONGEST_MS, Throttle, network

HOUR_MS = 3_600_000


def try_(at: Throttle, key: str, uptime_ms: int) -> int:
    return at.admit(ours=[key], strangers=[], uptime_ms=uptime_ms)


@given(st.lists(st.integers(0, 40_000), min_size=1, max_size=800))
def test_no_way_of_trying_gets_more_than_a_hundred_an_hour(gaps_ms: list[int]) -> None:
    at, now_ms, tried = Throttle(), 0, []
    for gap_ms in gaps_ms:
        now_ms += gap_ms
        if try_(at, "ines", now_ms) == 0:
            tried.append(now_ms)
    for start in tried:
        assert sum(start <= each < start + HOUR_MS for each in tried) <= 100


def test_who_tries_as_soon_as_they_may_gets_seventy_an_hour() -> None:
    at, now_ms, tried = Throttle(), 0, 0
    while now_ms < HOUR_MS:
        wait_ms = try_(at, "ines", now_ms)
        tried += wait_ms == 0
        now_ms += max(wait_ms, 1)
    assert FREE < tried <= 100


def test_the_wait_grows_and_has_an_end() -> None:
    at, now_ms, waits = Throttle(), 0, []
    for _ in range(20):
        while wait_ms := try_(at, "ines", now_ms):
            waits.append(wait_ms)
            now_ms += wait_ms
    assert waits == sorted(waits)
    assert waits[0] == throttle.FIRST_MS
    assert waits[1] == 2 * throttle.FIRST_MS
    assert waits[-1] == LONGEST_MS


def test_a_try_while_waiting_makes_it_no_longer() -> None:
    at = Throttle()
    for _ in range(FREE):
        assert try_(at, "ines", 0) == 0
    assert try_(at, "ines", 0) == 1000
    assert try_(at, "ines", 400) == 600
    assert try_(at, "ines", 1000) == 0


def test_who_comes_in_starts_anew_and_an_hour_of_rest_forgives() -> None:
    at = Throttle()
    for now_ms in (0, 0, 0, 0, 0):
        try_(at, "ines", now_ms)
    at.forgive(["ines"])
    assert try_(at, "ines", 0) == 0
    for _ in range(FREE):
        try_(at, "omar", 0)
    assert try_(at, "omar", 10) > 0
    assert [try_(at, "omar", 2 * HOUR_MS + nth) for nth in range(FREE)] == [0] * FREE


def test_many_at_the_same_moment_get_no_more_than_one_by_one() -> None:
    at, got, begin = Throttle(), [], threading.Barrier(20)

    def go() -> None:
        begin.wait()
        got.append(try_(at, "ines", 0))

    threads = [threading.Thread(target=go) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert got.count(0) == FREE


def test_strangers_take_only_so_much_memory_and_push_nobody_of_ours_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(throttle, "REMEMBERED", 50)
    at = Throttle()
    for _ in range(FREE):
        at.admit(ours=["ines"], strangers=["192.0.2.1"], uptime_ms=0)
    for nth in range(500):
        at.admit(ours=[], strangers=[f"name {nth}"], uptime_ms=0)
    assert len(at._strangers) == 50
    assert try_(at, "ines", 0) > 0


@pytest.mark.parametrize(
    ("address", "counts_as"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", ""),
        ("testclient", "testclient"),
    ],
)
def test_an_address_counts_by_its_network(address: str, counts_as: str) -> None:
    """RFC 4291, section 2.5.4: an interface identifier has 64 bits; addresses of RFC 3849 and RFC 5737."""
    assert network(address) == counts_as
