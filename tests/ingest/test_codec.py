"""Samples as bytes and back, bit for bit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.codec import absent, decode, encode
from models.sample import SAMPLE, SIGNAL_NAMES
from tests.recorded import climb, records, same_bytes

numbers = st.floats(allow_nan=False)
rows = st.builds(
    lambda time_ms, values: {"time_ms": time_ms, **values},
    st.integers(0, 2**52),
    st.dictionaries(st.sampled_from(SIGNAL_NAMES), numbers),
)


@given(st.lists(rows, min_size=1, max_size=20))
def test_decoding_undoes_encoding(samples: list[dict[str, float]]) -> None:
    table = records(samples)
    assert same_bytes(decode(encode(table)), table)


def test_only_signals_that_are_there_take_room() -> None:
    bare = encode(records([{"time_ms": 1, "gear": 1.0}] * 100))
    fuller = encode(records([{"time_ms": 1, "gear": 1.0, "lockup": 0.0}] * 100))
    assert len(fuller) - len(bare) == 800
    assert len(bare) < 100 * 16 + 20


def test_what_was_decoded_can_be_changed() -> None:
    table = decode(encode(records(climb(3))))
    table["gear"][0] = 2.0
    assert table["gear"][0] == 2.0


def test_absent_samples_hold_nothing() -> None:
    table = absent(3)
    assert table.dtype == SAMPLE
    assert not table["time_ms"].any()
    assert all(np.isnan(table[name]).all() for name in SIGNAL_NAMES)


def _version(body: bytes) -> bytes:
    return b"\x02" + body[1:]


def _short(body: bytes) -> bytes:
    return body[:-1]


def _long(body: bytes) -> bytes:
    return body + b"\x00"


@pytest.mark.parametrize("damage", [_version, _short, _long])
def test_a_later_version_or_damage_is_refused(damage: Any) -> None:
    body = encode(records(climb(5)))
    with pytest.raises(ValueError, match="journal body"):
        decode(damage(body))


def test_a_slice_of_a_wider_array_is_encoded_by_its_values() -> None:
    table: NDArray[Any] = records(climb(10))
    assert same_bytes(decode(encode(table[1::3])), table[1::3].copy())
