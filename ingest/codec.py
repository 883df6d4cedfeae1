"""Samples as bytes: the body of a journal row. Only signals that are there take room."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import groupby
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
    return _decode_alike([body])


def decode_all(bodies: Sequence[bytes]) -> NDArray[Any]:
    """Unpack many bodies, one behind the other.

    A truck's bodies are mostly of one make: neighbours with the same head are unpacked together,
    since a day of one-sample messages has tens of thousands of them.

    Raises
    ------
    ValueError
        A body is of a later version or damaged.
    """
    alike = groupby(bodies, key=lambda body: body[: _HEAD.size])
    return join([_decode_alike(list(group)) for _, group in alike])


def _decode_alike(bodies: Sequence[bytes]) -> NDArray[Any]:
    """Unpack bodies that have one head."""
    version, count, mask = _HEAD.unpack_from(bodies[0])
    columns = 1 + mask.bit_count()
    size = _HEAD.size + 8 * count * columns
    for body in bodies:
        if version != _VERSION or len(body) != size:
            raise ValueError(
                f"journal body: version {version}, {len(body)} bytes for {count} samples"
            )
    packed = np.frombuffer(b"".join(bodies), np.uint8).reshape(len(bodies), size)
    cells = np.ascontiguousarray(packed[:, _HEAD.size :]).reshape(len(bodies), columns, -1)
    samples = absent(len(bodies) * count)
    samples["time_ms"] = np.ascontiguousarray(cells[:, 0]).view("<i8").ravel()
    present = [name for bit, name in enumerate(SIGNAL_NAMES) if mask >> bit & 1]
    for column, name in enumerate(present, start=1):
        samples[name] = np.ascontiguousarray(cells[:, column]).view("<f8").ravel()
    return samples


def join(parts: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Put records ``SAMPLE`` behind each other.

    By their bytes: ``np.concatenate`` first works out a common type, field by field, which takes
    fifty times as long for a handful of samples.
    """
    return np.frombuffer(bytearray().join([part.tobytes() for part in parts]), SAMPLE)


def absent(count: int) -> NDArray[Any]:
    """Give ``count`` samples at time 0 with every signal absent."""
    # All numbers in one go: field by field takes ten times as long.
    samples = np.full((count, len(SIGNAL_NAMES) + 1), np.nan).view(SAMPLE).reshape(count)
    samples["time_ms"] = 0
    return samples
