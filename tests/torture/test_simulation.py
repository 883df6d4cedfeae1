"""The simulation replays, and finds what is broken; its seeds are among the experiments."""

from __future__ import annotations

import pytest

from tests.torture.simulation import world
from tests.torture.simulation.broken import BROKEN
from tests.torture.simulation.run import simulate

OFTEN = 0.2
"""How likely a run of faults is here: some of what is broken shows only where a certain call fails."""

MOST_SEEDS = 12
"""Within so many seeds each thing that is broken must have been found."""


@pytest.mark.torture
def test_a_seed_replays_to_the_last_byte_of_the_store() -> None:
    first, again, other = simulate(7), simulate(7), simulate(8)
    assert (first.trace, first.did) == (again.trace, again.did)
    assert first.trace != other.trace
    assert first.did["crash"] > 0
    assert first.did["fault"] > 0


@pytest.mark.torture
def test_nothing_is_found_in_what_is_sound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(world, "FAULTS", OFTEN)
    outcome = simulate(3)
    assert outcome.problems == ()
    assert outcome.did["fault"] > 10


@pytest.mark.torture
@pytest.mark.timeout(600)
@pytest.mark.parametrize("what", BROKEN)
def test_what_is_broken_is_found(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(world, "FAULTS", OFTEN)
    with BROKEN[what]():
        assert any(simulate(seed).problems for seed in range(1, 1 + MOST_SEEDS))
