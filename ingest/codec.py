"""Samples as bytes: the body of a journal row. Only signals that are there take room."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.sample import SAMPLE, SIGNAL_NAMES

_HEAD = struct.Struct("<BIQ")
_VERSION = 1


def encode(samples: NDArray[Any]) -> bytes:
    """Pack records ``SAMPLE`` of shape (n,), bit for bit."""
    count = len(samples)
    mask = 0
    parts = [samples["time_ms"].astype("<i8").tobytes()]
    for bit, name in enumerate(SIGNAL_NAMES):
        column = samples[name]
        if not np.isnan(column).all():
            mask |= 1 << bit
            parts.append(column.astype("<f8").tobytes())
    return _HEAD.pack(_VERSION, count, mask) + b"".join(parts)


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


def absent(count: int) -> NDArray[Any]:
    """Give ``count`` samples at time 0 with every signal absent."""
    samples = np.empty(count, SAMPLE)
    samples["time_ms"] = 0
    for name in SIGNAL_NAMES:
        samples[name] = np.nan
    return samples
