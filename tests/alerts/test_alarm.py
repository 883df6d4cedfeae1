"""The machine of one alarm, state by state and event by event.

The table is that of the alarm state transition diagram of ANSI/ISA-18.2-2016 and IEC 62682, written from
memory; the letters are the diagram's. Beside it what we add: a rise in priority alarms again, a row
that later samples show to be untrue or that a later one goes on for is normal.
"""

from __future__ import annotations

import pytest

from alerts.alarm import HELD, Event, Matter, State, Step, step

#: The diagram's letters.
A, B, C, D = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED
E, F = State.LATCHED, State.LATCHED_ACKNOWLEDGED
G, H, I = State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE  # noqa: E741 - the diagram's letter

OCCURS = (Event.RAISE, Event.RECUR)
ACTIVE, NORMAL = Matter.ACTIVE, Matter.NORMAL

#: What the standards draw, for an alarm that does not latch (``latches`` False) and one that does.
#: Not drawn: nothing happens.
DRAWN: dict[tuple[State, Event, bool], tuple[State, Matter | None]] = {
    **{
        (state, event, latches): (B, ACTIVE)  # alarm occurs, and re-alarms
        for state in (A, D, E, F)
        for event in OCCURS
        for latches in (False, True)
    },
    (B, Event.ACKNOWLEDGE, False): (C, None),
    (B, Event.ACKNOWLEDGE, True): (C, None),
    (B, Event.CLEAR, False): (D, NORMAL),
    (B, Event.CLEAR, True): (E, NORMAL),
    (C, Event.CLEAR, False): (A, NORMAL),
    (C, Event.CLEAR, True): (F, NORMAL),
    (D, Event.ACKNOWLEDGE, False): (A, None),
    (D, Event.ACKNOWLEDGE, True): (A, None),
    (E, Event.ACKNOWLEDGE, False): (F, None),
    (E, Event.ACKNOWLEDGE, True): (F, None),
    (F, Event.RESET, False): (A, None),
    (F, Event.RESET, True): (A, None),
    **{
        (state, event, latches): (to, None)
        for state in State
        for event, to in ((Event.SHELVE, G), (Event.SUPPRESS, H), (Event.REMOVE, I))
        for latches in (False, True)
    },
}

#: What is our own: none of it is in the standards.
ADDED: dict[tuple[State, Event], tuple[State, Matter | None]] = {
    (B, Event.RISE): (B, Matter.RISE),
    (C, Event.RISE): (B, Matter.RISE),
    **{(state, Event.WITHDRAW): (A, Matter.WITHDRAWN) for state in (A, B, C, D, E, F)},
    **{(state, Event.SUPERSEDE): (A, None) for state in (D, E, F, G, H, I)},
}

CASES = [
    (state, event, latches)
    for state in State
    for event in Event
    for latches in (False, True)
    if event is not Event.RELEASE
]


@pytest.mark.parametrize(("state", "event", "latches"), CASES)
@pytest.mark.parametrize("active", [False, True])
def test_each_state_and_event(state: State, event: Event, latches: bool, active: bool) -> None:
    drawn = DRAWN.get((state, event, latches)) or ADDED.get((state, event)) or (state, None)
    found = step(state, event, active=active, latches=latches)
    assert found == Step(state=drawn[0], matter=drawn[1])


@pytest.mark.parametrize("state", [G, H, I])
@pytest.mark.parametrize("latches", [False, True])
def test_the_end_of_a_hold_leads_to_what_the_condition_says(
    state: State, latches: bool
) -> None:
    # Unshelve, leave suppressed by design, return to service: to B while the condition holds, else
    # to A. That what latches waits for a look all the same is ours; the diagram leaves it open.
    assert step(state, Event.RELEASE, active=True, latches=latches) == Step(
        state=B, matter=ACTIVE
    )
    assert step(state, Event.RELEASE, active=False, latches=latches) == Step(
        state=E if latches else A, matter=NORMAL
    )


@pytest.mark.parametrize("state", sorted(set(State) - HELD))
def test_only_a_hold_can_end(state: State) -> None:
    assert step(state, Event.RELEASE, active=True, latches=True) == Step(state=state)


def test_nobody_is_told_of_a_held_alarm_until_the_hold_ends() -> None:
    events = [event for event in Event if event is not Event.RELEASE]
    found = {step(state, event).matter for state in HELD for event in events}
    assert found == {None}


def test_every_state_can_be_reached_and_left() -> None:
    ways = {
        (state, step(state, event, active=active, latches=latches).state)
        for state, event, latches in CASES
        for active in (False, True)
    }
    assert {after for before, after in ways if before is not after} == set(State)
    assert {before for before, after in ways if before is not after} == set(State)
