"""Entries of a service record, and accounts to count them in."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.account import raw_life, stretch
from models.course import NO_ENTRIES, Course
from models.kernel import STATE
from models.layout import blank, record
from models.service import ENTRY, SERVICE_KINDS, apply
from tests.recorded import NOON_MS

WHOLE_NUMBERS = ("time_ms", "kind", "epoch")


def entry(
    kind: str, time_ms: float = NOON_MS, *, epoch: int = 0, **numbers: float
) -> NDArray[Any]:
    """Write one entry, shape (1,); what is not given is NaN."""
    written = np.zeros(1, ENTRY)
    for name in ENTRY.names or ():
        if name not in WHOLE_NUMBERS:
            written[name] = numbers.pop(name, math.nan)
    assert not numbers
    written["time_ms"] = time_ms
    written["kind"] = SERVICE_KINDS.index(kind)
    written["epoch"] = epoch
    return written


def course(params: NDArray[Any], *entries: NDArray[Any]) -> Course:
    """Give a course with entries in the order given."""
    return Course(params, np.concatenate(entries) if entries else NO_ENTRIES)


def count(
    params: NDArray[Any],
    state: NDArray[Any],
    *entries: NDArray[Any],
    before: NDArray[Any] | None = None,
) -> None:
    """Count entries in a state, one after the other."""
    for written in entries:
        earlier = record(params if before is None else before)
        apply(record(params), earlier, record(state), record(written))


def worn(params: NDArray[Any], life: float, *, carried: float = 0.0) -> NDArray[Any]:
    """Give the state of a truck whose fluid has a raw life [-], ``carried`` of it brought along."""
    state = blank(STATE)
    count(params, state, entry("install", NOON_MS, life_used=carried))
    account = record(state).truck.account
    own = record(params).account
    seconds = (life - carried) * float(own.reference_life_s)
    account.heat.equivalent_s = seconds
    account.heat.bins_s[60] = seconds
    account.filling.samples = 1
    account.life_used = stretch(raw_life(own, account), own.oxidation_factor)
    return state


def parts(params: NDArray[Any], state: NDArray[Any]) -> tuple[Any, Any]:
    """Give the parameters and the account as the models' functions take them."""
    return record(params).account, record(state).truck.account
