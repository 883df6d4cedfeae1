from __future__ import annotations

import sqlite3

from alerts import gathering, outbox, sending
from alerts.journal import alarms
from alerts.sending import Sending, told
from models.transition import Priority
from tests.alerts.store import MINUTE, NOON, memory, transition, write
from tests.alerts.store import take as take_at


def filled() -> sqlite3.Connection:
    conn = memory()
    write(conn, [transition(NOON, NOON)], now_ms=NOON)
    return conn


def take(conn: sqlite3.Connection, now_ms: int = NOON) -> Sending:
    claimed = take_at(conn, "desk", now_ms)
    assert claimed is not None
    return claimed


def test_a_claimed_notice_is_not_claimed_twice() -> None:
    conn = filled()
    take(conn)
    assert take_at(conn, "desk", NOON) is None
    assert take_at(conn, "phone", NOON) is not None


def test_a_claim_is_freed_and_the_try_counts() -> None:
    conn = filled()
    first = take(conn)
    assert sending.release(conn) == 1
    again = take(conn)
    assert (again.id, first.attempts, again.attempts) == (first.id, 1, 2)


def test_nothing_is_due_before_its_time() -> None:
    conn = filled()
    sending.defer(conn, take(conn), NOON, due_ms=NOON + MINUTE, reason="busy")
    assert take_at(conn, "desk", NOON + MINUTE - 1) is None
    assert take(conn, NOON + MINUTE).last_error == "busy"


def test_normal_never_overtakes_active() -> None:
    conn = filled()
    raised = transition(NOON, NOON)
    write(conn, [raised, transition(NOON + 1, NOON, active=False)], now_ms=NOON + 1)
    sending.defer(conn, take(conn), NOON, due_ms=NOON + MINUTE, reason="busy")
    assert take_at(conn, "desk", NOON + 30_000) is None
    sending.settle(conn, take(conn, NOON + MINUTE), NOON + MINUTE, "told")
    (normal,) = told(conn, take(conn, NOON + 2 * MINUTE).id)
    assert normal.entry.matter == "normal"


def test_the_most_urgent_goes_first() -> None:
    conn = filled()
    urgent = transition(NOON + 1, NOON + 1, priority=Priority.CRITICAL)
    write(conn, [transition(NOON, NOON), urgent], now_ms=NOON + 1)
    (first,) = told(conn, take(conn, NOON + 1).id)
    assert first.entry.time_ms == NOON + 1


def test_what_was_given_up_is_listed_and_can_be_sent_again() -> None:
    conn = filled()
    claimed = take(conn)
    sending.give_up(conn, claimed, NOON, "550 no")
    (dead,) = sending.dead_letters(conn)
    assert (dead.id, dead.last_error, dead.settled_ms) == (claimed.id, "550 no", NOON)
    assert [each.state for each in outbox.entries(conn, sending_id=dead.id)] == ["abandoned"]
    assert sending.resend(conn, claimed.id, NOON + MINUTE)
    assert sending.dead_letters(conn) == []
    again = take(conn, NOON + MINUTE)
    assert (again.id, again.attempts, again.created_ms) == (claimed.id, 1, NOON + MINUTE)
    assert not sending.resend(conn, "none", NOON)


def test_all_that_a_channel_gave_up_is_sent_again_at_once() -> None:
    conn = filled()
    for channel in ("desk", "phone"):
        claimed = take_at(conn, channel, NOON)
        assert claimed is not None
        sending.give_up(conn, claimed, NOON, "550 no")
    assert sending.resend_all(conn, "desk", NOON) == 1
    assert [dead.destination for dead in sending.dead_letters(conn)] == ["phone"]
    assert sending.resend_all(conn, None, NOON) == 1


def test_what_may_have_arrived_goes_on_and_the_rest_is_cancelled() -> None:
    """The desk's is under way: it stays as it is, and its withdrawal follows."""
    conn = filled()
    claimed = take(conn)
    (alarm,) = alarms(conn)
    assert outbox.cancel(conn, alarm.id, NOON) == 1
    states = {each.destination: each.state for each in outbox.entries(conn)}
    assert states == {"desk": "pending", "phone": "cancelled"}
    assert outbox.may_know(conn, alarm) == ["desk"]
    sending.give_up(conn, claimed, NOON, "550 no")
    assert [dead.id for dead in sending.dead_letters(conn)] == [claimed.id]


def test_what_is_known_to_be_untrue_is_not_sent_again() -> None:
    conn = filled()
    claimed = take(conn)
    sending.give_up(conn, claimed, NOON, "550 no")
    write(conn, [], now_ms=NOON + MINUTE)
    assert not sending.resend(conn, claimed.id, NOON + MINUTE)


def test_that_one_was_withdrawn_is_sent_again() -> None:
    conn = filled()
    sending.settle(conn, take(conn), NOON, "told")
    write(conn, [], now_ms=NOON + MINUTE)
    sending.give_up(conn, take(conn, NOON + MINUTE), NOON + MINUTE, "550 no")
    assert sending.resend_all(conn, "desk", NOON + 2 * MINUTE) == 1
    (again,) = told(conn, take(conn, NOON + 2 * MINUTE).id)
    assert again.entry.matter == "withdrawn"


def test_who_was_told_when_is_written_down() -> None:
    conn = filled()
    sending.defer(conn, take(conn), NOON, due_ms=NOON + 1, reason="busy")
    sending.settle(conn, take(conn, NOON + 1), NOON + 1, "accepted for desk")
    (alarm,) = alarms(conn)
    log = sending.attempts(conn, alarm_id=alarm.id)
    assert [(a.time_ms, a.outcome, a.detail) for a in log] == [
        (NOON, "deferred", "busy"),
        (NOON + 1, "delivered", "accepted for desk"),
    ]
    assert sending.attempts(conn) == log
    assert sending.attempts(conn, alarm_id="none") == []


def test_what_waits_is_counted() -> None:
    conn = filled()
    assert sending.waiting(conn) == (2, NOON)
    for channel in ("desk", "phone"):
        claimed = take_at(conn, channel, NOON)
        assert claimed is not None
        sending.settle(conn, claimed, NOON, "told")
    assert sending.waiting(conn) == (0, None)


def test_a_sending_is_named_by_what_is_in_it_whenever_it_is_made() -> None:
    """Two stores with the same alarms, gathered an hour apart."""
    names = []
    for now_ms in (NOON + MINUTE, NOON + 60 * MINUTE):
        conn = memory()
        for truck in ("NF-01", "NF-02"):
            write(conn, [transition(NOON, NOON, vehicle=truck)], now_ms=NOON, vehicle=truck)
        bundle = gathering.take(
            conn, gathering.Look(channel="desk", bundles=True, now_ms=now_ms)
        )
        assert bundle is not None
        names.append(bundle.id)
        assert {len(told(conn, bundle.id)), bundle.attempts} == {2, 1}
        assert take(filled()).id == outbox.entries(filled())[0].id
    assert names[0] == names[1]


def test_an_earlier_alarm_sent_again_by_hand_hides_the_end_of_a_later_one_from_nobody() -> None:
    conn = filled()
    sending.give_up(conn, take(conn), NOON, "550 no")
    earlier = [transition(NOON, NOON), transition(NOON + 1, NOON, active=False)]
    later = transition(NOON + MINUTE, NOON + MINUTE)
    write(conn, [*earlier, later], now_ms=NOON + MINUTE)
    while claimed := take_at(conn, "desk", NOON + 2 * MINUTE):
        sending.settle(conn, claimed, NOON + 2 * MINUTE, "told")
    assert sending.resend_all(conn, "desk", NOON + 3 * MINUTE) == 1
    ended = transition(NOON + 4 * MINUTE, NOON + MINUTE, active=False)
    write(conn, [*earlier, later, ended], now_ms=NOON + 4 * MINUTE)
    told = [
        (each.onset_ms - NOON, each.matter)
        for each in outbox.entries(conn)
        if each.destination == "desk"
    ]
    assert told == [(0, "active"), (MINUTE, "active"), (0, "normal"), (MINUTE, "normal")]


def test_a_later_alarm_that_is_over_hides_the_end_of_one_sent_again_from_nobody() -> None:
    """Each by its own name: a machine that is told of the earlier one is told that it is over too."""
    conn = filled()
    sending.give_up(conn, take(conn), NOON, "550 no")
    both = [
        *(transition(NOON, NOON), transition(NOON + 1, NOON, active=False)),
        transition(NOON + MINUTE, NOON + MINUTE),
        transition(NOON + 2 * MINUTE, NOON + MINUTE, active=False),
    ]
    write(conn, both[:3], now_ms=NOON + MINUTE)
    write(conn, both, now_ms=NOON + 2 * MINUTE)
    assert sending.resend_all(conn, "desk", NOON + 3 * MINUTE) == 1
    told = [
        (each.onset_ms - NOON, each.matter)
        for each in outbox.entries(conn)
        if each.destination == "desk"
    ]
    assert sorted(told) == [
        (0, "active"),
        (0, "normal"),
        (MINUTE, "active"),
        (MINUTE, "normal"),
    ]


def test_a_rise_sent_again_by_hand_after_the_end_was_told_is_followed_by_it_once_more() -> None:
    conn = filled()
    sending.settle(conn, take(conn), NOON, "told")
    raised = transition(NOON, NOON)
    worse = transition(NOON + 1, NOON, priority=Priority.CRITICAL)
    over = transition(NOON + 2, NOON, active=False)
    write(conn, [raised, worse], now_ms=NOON + 1)
    sending.give_up(conn, take(conn, NOON + 1), NOON + 1, "550 no")
    write(conn, [raised, worse, over], now_ms=NOON + 2)
    sending.settle(conn, take(conn, NOON + 2), NOON + 2, "told")
    assert sending.resend_all(conn, "desk", NOON + MINUTE) == 1
    said = []
    while claimed := take_at(conn, "desk", NOON + 2 * MINUTE):
        said += [one.entry.matter.value for one in told(conn, claimed.id)]
        sending.settle(conn, claimed, NOON + 2 * MINUTE, "told")
    assert said == ["rise", "normal"]


def test_an_end_that_was_given_up_too_is_sent_again_once() -> None:
    conn = filled()
    sending.give_up(conn, take(conn), NOON, "550 no")
    write(
        conn,
        [transition(NOON, NOON), transition(NOON + 1, NOON, active=False)],
        now_ms=NOON + 1,
    )
    assert sending.resend_all(conn, "desk", NOON + 2) == 1
    sending.give_up(conn, take(conn, NOON + 2), NOON + 2, "550 no")
    sending.give_up(conn, take(conn, NOON + 3), NOON + 3, "550 no")
    assert sending.resend_all(conn, "desk", NOON + MINUTE) == 2
    desk = [each for each in outbox.entries(conn) if each.destination == "desk"]
    assert [each.matter for each in desk] == ["active", "normal"]


def test_a_death_in_the_first_try_after_a_clock_was_put_back_holds_nothing_up() -> None:
    conn = filled()
    sending.defer(conn, take(conn), NOON, due_ms=NOON + MINUTE, reason="busy")
    earlier_ms = NOON - 3_000 * MINUTE
    first = take(conn, earlier_ms)
    assert sending.release(conn) == 1
    assert take(conn, earlier_ms + 1).id == first.id
