"""Flow through the cooler, proven: what a run of windows must show, and how often the proof may be wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from models.layout import blank, dtype_of, record
from models.observing import BLIND_MS, TELLS_SD, WRONG, Observing, observe_flow

unhurried = settings(max_examples=30, deadline=None)  # the first call compiles

WINDOW_MS = 30_000


def observing() -> Any:
    return record(blank(dtype_of(Observing)))


def watch(
    state: Any, offs_k: list[float], *, carried_k: float, healthy: bool = True, first: int = 1
) -> int:
    """Let windows pass with the fluid so far above what was foretold, sd 1 K; gives how many proved flow."""
    proofs = 0
    for place, off_k in enumerate(offs_k, start=first):
        now_ms = WINDOW_MS * place
        observe_flow(state, carried_k, off_k, 1.0, healthy, now_ms)
        proofs += int(state.proven_ms) == now_ms
    return proofs


def test_without_a_window_that_could_tell_nothing_is_proven_or_seen() -> None:
    state = observing()
    assert watch(state, [0.0] * 100, carried_k=0.9 * TELLS_SD) == 0
    assert state.judged_ms == 0
    assert state.unseen_since_ms == WINDOW_MS


@unhurried
@given(carried_k=st.floats(2.0 * TELLS_SD, 30.0))
def test_fluid_as_cool_as_a_healthy_cooler_makes_it_proves_flow(carried_k: float) -> None:
    state = observing()
    assert watch(state, [0.0] * 20, carried_k=carried_k) > 0
    assert state.unseen_since_ms == 0


@unhurried
@given(carried_k=st.floats(2.0 * TELLS_SD, 30.0))
def test_fluid_as_hot_as_without_the_cooler_never_does(carried_k: float) -> None:
    assert watch(observing(), [carried_k] * 200, carried_k=carried_k) == 0


def test_nothing_is_proven_while_a_fault_is_suspected() -> None:
    assert watch(observing(), [0.0] * 200, carried_k=8.0, healthy=False) == 0


@pytest.mark.parametrize("carried_k", [1.1 * TELLS_SD, 2.0 * TELLS_SD])
def test_a_cooler_without_flow_is_proven_to_have_it_no_oftener_than_walds_bound(
    carried_k: float,
) -> None:
    # By Wald the share of tests that end so is at most WRONG / (1 - WRONG); steps cut off at the same size
    # on either side make wrong ends rarer still.
    random = np.random.default_rng(5)
    proofs = tests = 0
    state = observing()
    before = 0.0
    for place in range(1, 20_000):
        observe_flow(
            state, carried_k, carried_k + random.normal(), 1.0, True, WINDOW_MS * place
        )
        proofs += int(state.proven_ms) == WINDOW_MS * place
        tests += before != 0.0 and float(state.flow.log_ratio) == 0.0
        before = float(state.flow.log_ratio)
    assert tests > 1000
    assert proofs <= binom.ppf(0.9999, tests, WRONG / (1.0 - WRONG))


def test_it_is_not_observable_since_the_last_window_that_could_tell() -> None:
    state = observing()
    watch(state, [0.0] * 10, carried_k=8.0)
    judged_ms = int(state.judged_ms)
    blind = BLIND_MS // WINDOW_MS
    watch(state, [0.0] * blind, carried_k=0.0, first=11)
    assert state.unseen_since_ms == 0
    watch(state, [0.0] * 2, carried_k=0.0, first=11 + blind)
    assert state.unseen_since_ms == judged_ms
    watch(state, [0.0], carried_k=8.0, first=13 + blind)
    assert state.unseen_since_ms == 0
