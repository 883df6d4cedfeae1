"""Trucks between commits: the states of those heard longest ago are packed, and nothing else changes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from deploy.held_trucks import HeldTrucks
from ingest.held import Held, unpack
from models.course import Course
from models.kernel import PARAMS, STATE
from models.layout import blank
from models.service import ENTRY
from tests.deploy.store import kept, pipeline, store
from tests.recorded import climb, message

COURSE = Course(blank(PARAMS), np.zeros(0, ENTRY))
NAMES = [f"NF-{number:02d}" for number in range(6)]


def truck(name: str, mark: int = 0, *, unsaved: bool = False) -> Held:
    """Give a truck whose state is told by a mark."""
    state = blank(STATE)
    state["course"]["entries"] = mark
    return Held(
        vehicle_id=NAMES.index(name),
        name=name,
        course=COURSE,
        basis="",
        kept=state,
        unsaved=unsaved,
    )


@given(puts=st.lists(st.tuples(st.sampled_from(NAMES), st.booleans()), max_size=40))
def test_the_last_heard_are_open_and_each_state_is_what_was_put(
    puts: list[tuple[str, bool]],
) -> None:
    trucks = HeldTrucks(open_states=2)
    for mark, (name, unsaved) in enumerate(puts):
        trucks.put(truck(name, mark, unsaved=unsaved))
    newest = {name: mark for mark, (name, _) in enumerate(puts)}
    assert {
        name: int(held.state[0]["course"]["entries"]) for name, held in trucks.items()
    } == newest
    in_order = sorted(newest, key=lambda name: newest[name])
    assert {name for name, held in trucks.items() if held.is_open} == set(in_order[-2:])
    unsaved_now = {name for name, mark in newest.items() if puts[mark][1]}
    assert {name for name, held in trucks.items() if held.unsaved} == unsaved_now
    assert all(
        unpack(held.packed).tobytes() == held.state.tobytes() for held in trucks.values()
    )


def test_a_forgotten_truck_leaves_nothing_behind() -> None:
    trucks = HeldTrucks(open_states=1)
    trucks.put(truck(NAMES[0]))
    trucks.forget(NAMES[0])
    trucks.put(truck(NAMES[1]), truck(NAMES[2]))
    assert [held.is_open for held in trucks.values()] == [False, True]


def test_packed_or_open_a_fleet_comes_to_the_same(tmp_path: Path) -> None:
    day = climb(90, slope_k_min=0.6)
    found = []
    for open_states in (1, 100):
        folder = tmp_path / str(open_states)
        folder.mkdir()
        with store(folder) as database:
            running = pipeline(database)
            running._trucks = HeldTrucks(open_states)
            for first in range(0, len(day), 30):
                running.commit([message(name, day[first : first + 30]) for name in NAMES])
                running.flush()
            assert sum(held.is_open for held in running.trucks.values()) == min(
                open_states, len(NAMES)
            )
            found.append(
                (kept(database), {n: h.state.tobytes() for n, h in running.trucks.items()})
            )
    assert found[0] == found[1]


def test_a_start_opens_no_state_that_nothing_was_added_to(tmp_path: Path) -> None:
    with store(tmp_path) as database:
        running = pipeline(database)
        running.commit([message(name, climb(30, slope_k_min=0.6)) for name in NAMES])
        running.flush()
        again = pipeline(database).trucks
        assert not any(held.is_open for held in again.values())
        assert {n: h.state.tobytes() for n, h in again.items()} == {
            n: h.state.tobytes() for n, h in running.trucks.items()
        }
