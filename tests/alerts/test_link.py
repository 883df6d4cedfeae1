from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from alerts.link import DEAF_MS, UP, Link, follow
from tests.alerts.store import MINUTE, NOON


def looked(link: Link, minute: float, *, connected: bool, refused: bool = False) -> Link:
    return follow(link, NOON + round(minute * MINUTE), connected=connected, refused=refused)


def test_a_link_is_down_since_the_look_that_saw_it_go() -> None:
    link = looked(UP, 0, connected=False)
    assert (link.connected, link.since_ms) == (False, NOON)
    link = looked(link, 3, connected=False, refused=True)
    assert (link.since_ms, link.refused) == (NOON, True)
    assert link.down_ms(NOON + 7 * MINUTE) == 7 * MINUTE
    assert link.heard_until(NOON + 7 * MINUTE) == NOON


def test_after_an_absence_worth_the_name_time_is_given_anew() -> None:
    long = looked(looked(UP, 0, connected=False), 2, connected=True)
    assert long.listening_since_ms == NOON + 2 * MINUTE
    assert long.heard_until(NOON + 9 * MINUTE) == NOON + 9 * MINUTE
    brief = looked(looked(UP, 0, connected=False), 0.5, connected=True)
    assert brief.listening_since_ms == 0
    assert UP.listening_since_ms == 0


@given(st.lists(st.tuples(st.integers(1, 200_000), st.booleans()), max_size=30))
def test_looking_twice_at_the_same_changes_nothing(looks: list[tuple[int, bool]]) -> None:
    link, now_ms = UP, NOON
    for pause_ms, connected in looks:
        now_ms += pause_ms
        link = follow(link, now_ms, connected=connected, refused=False)
        assert follow(link, now_ms + 1, connected=connected, refused=False) == link
        assert link.down_ms(now_ms) == 0 or not link.connected
        assert link.listening_since_ms == 0 or link.deaf_ms > DEAF_MS
