"""Samples as bytes: the body of a journal row. Only signals that are there take room."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SAMPLE, SIGNAL_NAMES

_HEAD = struct.Struct("<BIQ")
_VERSION = 1


def encode(samples: NDArray[Any]) -> bytes:
    """Pack records ``SAMPLE`` of shape (n,), bit for bit."""
    times = samples["time_ms"].astype("<i8").tobytes()
    # A sample is its time and then nothing but numbers: all signals are looked at in one go.
    numbers = np.ascontiguousarray(samples).view(np.float64).reshape(len(samples), -1)[:, 1:]
    there = ~np.isnan(numbers).all(axis=0)
    mask = sum(1 << bit for bit in np.flatnonzero(there).tolist())
    columns = numbers.T[there].astype("<f8").tobytes()
    return _HEAD.pack(_VERSION, len(samples), mask) + times + columns


def decode(body: bytes) -> NDArray[Any]:
    """Unpack what ``encode`` made.

    Raises
    ------
    ValueError
        The body is of a later version or damaged.
    """
    version, count, mask = _HEAD.unpack_from(body)
    width = 8 * (1 + mask.bit_count())
    if version != _VERSION or len(body) != _HEAD.size + count * width:
        raise ValueError(
            f"journal body: version {version}, {len(body)} bytes for {count} samples"
        )
    samples = absent(count)
    offset = _HEAD.size
    samples["time_ms"] = np.frombuffer(body, "<i8", count, offset)
    for bit, name in enumerate(SIGNAL_NAMES):
        if mask >> bit & 1:
            offset += 8 * count
            samples[name] = np.frombuffer(body, "<f8", count, offset)
    return samples


def join(parts: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Put records ``SAMPLE`` behind each other.

    By their bytes: ``np.concatenate`` first works out a common type, field by field, which takes
    fifty times as long for a handful of samples.
    """
    return np.frombuffer(bytearray().join([part.tobytes() for part in parts]), SAMPLE)


def absent(count: int) -> NDArray[Any]:
    """Give ``count`` samples at time 0 with every signal absent."""
    samples = np.empty(count, SAMPLE)
    samples["time_ms"] = 0
    for name in SIGNAL_NAMES:
        samples[name] = np.nan
    return samples
