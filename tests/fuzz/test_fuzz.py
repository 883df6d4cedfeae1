"""All that fuzzing kept is run again, with all that once broke something; and a little is drawn anew."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.kept import CORPUS, corpus, fewest, steps, work
from tests.fuzz.targets import TARGETS

TOO_MUCH = 300_000
"""Bytes of corpus that may be kept."""


@pytest.mark.parametrize("name", TARGETS)
def test_what_was_kept_still_holds(name: str) -> None:
    target = TARGETS[name]
    kept = corpus(name)
    assert kept, "run make fuzz"
    for data in [*target.seeds, *kept]:
        target.check(data)


def test_the_corpus_is_small_and_of_targets_that_there_are() -> None:
    files = [file for file in CORPUS.rglob("*") if file.is_file()]
    assert sum(file.stat().st_size for file in files) < TOO_MUCH
    assert {file.parent.name for file in files} == set(TARGETS)


@pytest.mark.parametrize("name", TARGETS)
def test_what_is_drawn_holds(name: str) -> None:
    """Any bytes, and what was kept with a piece cut out, doubled, or in another's place."""
    target = TARGETS[name]
    whole = st.sampled_from(corpus(name)) | st.sampled_from(list(target.seeds))
    place = st.integers(0, target.longest)

    @given(st.binary(max_size=200), whole, whole, place, place)
    @settings(max_examples=40, deadline=None)
    def drawn(noise: bytes, one: bytes, other: bytes, start: int, end: int) -> None:
        for data in (
            noise,
            one[:start] + noise[:4] + one[start:],
            one[:start] + one[end:],
            one[:start] + other[end:],
            one[: max(start, end)] + one[min(start, end) :],
        ):
            target.check(data[: target.longest])

    drawn()


HEAVY: dict[str, Callable[[int], bytes]] = {
    "brackets": lambda n: b"[" * n,
    "objects": lambda n: b"[" + b"{}," * (n // 3),
    "quotes": lambda n: b'"' * n,
    "backslashes": lambda n: b'"' + b"\\" * n,
    "commas": lambda n: b"[" + b"," * n,
    "digits": lambda n: b'{"time":' + b"9" * n,
    "names": lambda n: b"{" + b",".join(b'"a%d":1' % k for k in range(n // 9)) + b"}",
    "lines": lambda n: b"a = 1\n" * (n // 6),
    "tables": lambda n: b"[[entries]]\n" * (n // 12),
    "cells": lambda n: b"vehicle,kind,time\n" + b"a,b,c\n" * (n // 6),
    "apostrophes": lambda n: b"'" * n,
    "blanks": lambda n: b" " * n,
}
"""What makes some readers take the square of its length, or more."""


@pytest.mark.parametrize("name", ["telemetry", "status", "record_csv", "record_toml", "cursor"])
@pytest.mark.parametrize("how", HEAVY)
def test_work_grows_no_faster_than_the_input(name: str, how: str) -> None:
    """Counted in lines of ours that are run, so that no machine is too slow for it."""
    check, make = TARGETS[name].check, HEAVY[how]
    little, much = work(check, make(600)), work(check, make(4_800))
    assert much <= 8 * little * 1.2 + 2_000


def test_what_leads_nowhere_new_is_not_kept() -> None:
    """A checker that finds nothing proves nothing."""

    target = TARGETS["cursor"]
    good = target.seeds[0]
    assert fewest(target.check, [good, good, b"?" * 9, b"?" * 5]) == [b"?" * 5, good]
    assert steps(target.check, good) - steps(target.check, b"?" * 5)
