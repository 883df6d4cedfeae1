from __future__ import annotations

import pytest

from alerts.alarm import Event, Matter, State, Step, step

N, U, A, R = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED
HELD = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)

#: Each row: state, then what raise, rise, clear, acknowledge, recur lead to (state and matter).
TABLE: dict[State, tuple[tuple[State, Matter | None], ...]] = {
    N: ((U, Matter.ACTIVE), (N, None), (N, None), (N, None), (U, Matter.ACTIVE)),
    U: ((U, None), (U, Matter.RISE), (R, Matter.NORMAL), (A, None), (U, None)),
    A: ((A, None), (U, Matter.RISE), (N, Matter.NORMAL), (A, None), (A, None)),
    R: ((U, Matter.ACTIVE), (R, None), (R, None), (N, None), (U, Matter.ACTIVE)),
    **{held: ((held, None),) * 5 for held in HELD},
}
EVENTS = (Event.RAISE, Event.RISE, Event.CLEAR, Event.ACKNOWLEDGE, Event.RECUR)
CASES = [
    (state, event, *after)
    for state, row in TABLE.items()
    for event, after in zip(EVENTS, row, strict=True)
]


def test_the_table_has_every_state_and_every_event() -> None:
    assert set(TABLE) == set(State)
    assert set(EVENTS) == set(Event)


@pytest.mark.parametrize(("state", "event", "after", "matter"), CASES)
def test_each_state_and_event(
    state: State, event: Event, after: State, matter: Matter | None
) -> None:
    assert step(state, event) == Step(state=after, matter=matter)
