"""The figures of the alarms beside counts made by hand.

Definitions and targets from memory of ISA-18.2 and EEMUA 191: a flood begins with more than 10 alarms in 10
minutes and ends with fewer than 5; what stands longer than 24 h is stale. Three within an hour chatter, and
what is over within a minute is fleeting: own choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.alarm import Event, State, step
from alerts.crowding import FloodRule, floods, peak
from alerts.figure_counts import Frequent, Spread, spread
from alerts.figure_lines import lines, span
from alerts.figure_rows import Arrival, Happening, Holding, Rows, Seen
from alerts.figures import DAY_MS, HOUR_MS, Figures, Rules, figures
from models.transition import Priority

MINUTE = 60_000
SECOND = 1000


def life(
    *events: tuple[float, Event],
    alarm: str = "a",
    vehicle: str = "NF-01",
    kind: str = "bypass_stuck",
    priority: Priority = Priority.LOW,
) -> list[Happening]:
    """Let events [min] happen to an alarm, by the table of the standard."""
    found, state = [], State.NORMAL
    for minute, event in events:
        after = step(state, event).state
        happening = Happening(
            alarm_id=alarm,
            vehicle=vehicle,
            kind=kind,
            time_ms=round(minute * MINUTE),
            event=event.value,
            before=state,
            after=after,
            priority=priority,
        )
        found.append(happening)
        state = after
    return found


def raised(*minutes: float, **about: str) -> list[Happening]:
    """Let alarms come, each an alarm of its own of one kind of one truck."""
    return [
        one
        for minute in minutes
        for one in life((minute, Event.RAISE), alarm=f"{minute}", **about)  # type: ignore[arg-type]
    ]


def counted(
    happenings: Sequence[Happening],
    since: float = 0,
    until: float = 1440,
    *,
    rules: Rules | None = None,
    rows: Rows | None = None,
) -> Figures:
    return figures(
        replace(rows or Rows(happenings=()), happenings=happenings),
        since_ms=round(since * MINUTE),
        until_ms=round(until * MINUTE),
        rules=rules or Rules(),
    )


def test_a_rate_is_of_the_span_and_of_each_who_shares_the_alarms() -> None:
    day = raised(0, 30, 61, 300, 1439)
    assert counted(day).load.per_hour == pytest.approx(5 / 24)
    assert counted(day, rules=Rules(positions=2)).load.per_hour == pytest.approx(5 / 48)
    assert counted(day, since=60, until=300).load.alarms == 1


def test_what_is_counted_is_coming_to_stand_unacknowledged() -> None:
    happenings = life(
        (0, Event.RAISE),
        (1, Event.RISE),  # nobody had acknowledged: the same alarm, more urgent
        (2, Event.ACKNOWLEDGE),
        (3, Event.RISE),  # announced anew
        (4, Event.CLEAR),
        (5, Event.RECUR),  # and again
        (6, Event.ACKNOWLEDGE),
        (7, Event.CLEAR),
    )
    assert counted(happenings).load.alarms == 3


def test_the_most_in_ten_minutes_wherever_they_begin() -> None:
    at = [0, 9, 11, 12, 18.9, 19, 40]
    # 9 (left out: exactly ten minutes before 19), 11, 12, 18.9, 19
    assert counted(raised(*at)).load.peak == 4
    assert counted(raised(*at), since=19, until=60).load.peak == 4
    assert counted(raised(*at), since=20, until=60).load.peak == 1


def test_a_flood_begins_with_the_eleventh_and_ends_below_five() -> None:
    ten = raised(*(0.5 * n for n in range(10)))
    assert counted(ten).load.flood_ms == 0
    eleven = raised(*(0.5 * n for n in range(11)))
    found = counted(eleven).load
    # The eleventh comes at 5.0 min. At 13.0 the seventh (of 3.0) leaves the window: four remain.
    assert found.floods == 1
    assert found.flood_ms == 8 * MINUTE
    assert found.flood_share == pytest.approx(8 / 1440)
    part = counted(eleven, since=6, until=10).load
    assert (part.floods, part.flood_ms, part.flood_share) == (0, 4 * MINUTE, 1.0)
    assert counted(eleven, rules=Rules(positions=2)).load.floods == 0


def test_a_flood_that_goes_on_between_five_and_ten_is_one() -> None:
    many = (
        [0.1 * n for n in range(11)]
        + [10.1 + n for n in range(6)]
        + [20.0 + n for n in range(3)]
    )
    found = floods([round(m * MINUTE) for m in many], FloodRule())
    # By 10.5 min 0.0 to 0.5 have left and 10.1 has come: 6 remain; at 10.7 four are left.
    assert found == [(1 * MINUTE, round(10.7 * MINUTE))]


def test_priorities_those_that_never_came_too() -> None:
    happenings = [
        *life((1, Event.RAISE), alarm="a", priority=Priority.LOW),
        *life((2, Event.RAISE), alarm="b", priority=Priority.LOW),
        *life((3, Event.RAISE), alarm="c", priority=Priority.CRITICAL),
    ]
    assert counted(happenings).priorities == {"low": 2, "medium": 0, "high": 0, "critical": 1}


def test_three_within_an_hour_chatter() -> None:
    quick = raised(0, 30, 60, 72)
    slow = raised(100, 136, 161, vehicle="NF-02")
    found = counted(quick + slow).nuisance.chattering
    # 0 to 60 and 30 to 72: twice three within an hour
    assert found == (Frequent(vehicle="NF-01", kind="bypass_stuck", count=2),)
    of_two_trucks = raised(0) + raised(0.1, vehicle="NF-02") + raised(0.2)
    assert counted(of_two_trucks).nuisance.chattering == ()


def test_what_is_over_within_a_minute_is_fleeting() -> None:
    brief = life((0, Event.RAISE), (0.5, Event.CLEAR))
    longer = life((5, Event.RAISE), (6, Event.CLEAR), alarm="b")
    seen_to = life((8, Event.RAISE), (8.1, Event.ACKNOWLEDGE), (8.9, Event.CLEAR), alarm="c")
    assert counted(brief + longer + seen_to).nuisance.fleeting == 2


def test_what_stands_for_more_than_a_day_is_stale() -> None:
    day = 1440.0
    still = life((0, Event.RAISE), (10, Event.ACKNOWLEDGE))
    over = life((100, Event.RAISE), (day + 200, Event.CLEAR), alarm="b")
    short = life((0, Event.RAISE), (day, Event.CLEAR), alarm="c")
    recurred = life((0, Event.RAISE), (day - 1, Event.CLEAR), (day, Event.RECUR), alarm="d")
    found = counted([*still, *over, *short, *recurred], until=1.5 * day).nuisance
    assert (found.stale_now, found.stale_most) == (1, 2)
    later = counted([*still, *over], since=1.4 * day, until=1.5 * day).nuisance
    assert (later.stale_now, later.stale_most) == (1, 1)
    assert counted(still, until=day).nuisance.stale_most == 0


def test_the_ten_most_frequent_and_their_share() -> None:
    of_many = [
        one for number in range(12) for one in raised(20 * number, vehicle=f"NF-{number:02}")
    ]
    found = counted(of_many + raised(300, 320, vehicle="NF-11")).nuisance
    assert found.most[0] == Frequent(vehicle="NF-11", kind="bypass_stuck", count=3)
    assert len(found.most) == 10
    assert found.most_share == pytest.approx(12 / 14)
    assert counted([]).nuisance.most_share is None


def test_the_time_to_acknowledge_runs_anew_with_a_rise() -> None:
    happenings = [
        *life(
            (0, Event.RAISE), (4, Event.ACKNOWLEDGE), (10, Event.RISE), (11, Event.ACKNOWLEDGE)
        ),
        *life(
            (0, Event.RAISE),
            (1, Event.CLEAR),
            (9, Event.ACKNOWLEDGE),
            alarm="b",
            priority=Priority.HIGH,
        ),
        *life((3, Event.RAISE), alarm="c"),
        *life((3, Event.RAISE), (5, Event.CLEAR), alarm="d"),
    ]
    found = counted(happenings)
    assert found.acknowledged["low"] == Spread(
        count=2, median_ms=2.5 * MINUTE, p95_ms=4 * MINUTE
    )
    assert found.acknowledged["high"].median_ms == 9 * MINUTE
    assert found.acknowledged["all"].count == 3
    assert found.unacknowledged_now == 2


def test_a_percentile_by_hand() -> None:
    # Nearest rank: of 20 the 19th, of 21 the 20th (0.95 · 21 = 19.95).
    assert spread(list(range(1, 21))) == Spread(count=20, median_ms=10.5, p95_ms=19)
    assert spread(list(range(1, 22))).p95_ms == 20
    assert spread([]) == Spread(count=0)


def test_holds_begun_and_standing() -> None:
    day = DAY_MS
    rows = Rows(
        happenings=(),
        holdings=(
            Holding(state=State.SHELVED, from_ms=-5, ended_ms=day // 2),
            Holding(state=State.SHELVED, from_ms=5, ended_ms=day),
            Holding(state=State.SUPPRESSED, from_ms=5, ended_ms=None),
            Holding(state=State.OUT_OF_SERVICE, from_ms=day, ended_ms=None),
        ),
    )
    held = counted([], rows=rows).held
    assert held.begun == {"shelved": 1, "suppressed_by_design": 1, "out_of_service": 0}
    assert held.now == {"shelved": 1, "suppressed_by_design": 1, "out_of_service": 0}


def test_notices_of_a_person_a_day() -> None:
    def to(person: str, hour: float, waited_s: int) -> Arrival:
        at_ms = round(hour * HOUR_MS)
        return Arrival(person=person, wanted_ms=at_ms - waited_s * SECOND, arrived_ms=at_ms)

    rows = Rows(
        happenings=(),
        arrivals=(
            *(to("ines", hour, 2) for hour in (1, 20, 24.5, 44)),
            *(to("omar", hour, 4) for hour in (1, 47)),
            to("", 2, 600),
            to("omar", 48, 1),  # after the end
        ),
    )
    found = counted([], until=2 * 1440, rows=rows).notices
    assert (found.arrived, found.people) == (7, 2)
    assert found.per_person_day == pytest.approx(6 / 2 / 2)
    assert (
        found.person_day_most == 3
    )  # 1, 20 and 24.5 h; 20 h is a day before 44 h to the minute
    assert found.delay == Spread(count=7, median_ms=2 * SECOND, p95_ms=600 * SECOND)


def test_the_share_of_which_somebody_was_told() -> None:
    seen = [
        Seen(first_ms=1, told=True),
        Seen(first_ms=2, told=False),
        Seen(first_ms=-1, told=True),
    ]
    assert counted([], rows=Rows(happenings=(), seen=seen)).told_share == 0.5
    assert counted([]).told_share is None


def test_a_span_without_a_length_is_refused() -> None:
    with pytest.raises(ValueError, match="span"):
        counted([], since=5, until=5)
    with pytest.raises(ValueError, match="somebody"):
        counted([], rules=Rules(positions=0))


MINUTES = st.lists(st.integers(0, 2000), max_size=60)
EVENTS = st.lists(
    st.tuples(
        st.integers(0, 2000),
        st.sampled_from("abc"),
        st.sampled_from(list(Event)),
        st.sampled_from(list(Priority)),
    ),
    max_size=60,
)


def lives(drawn: list[tuple[int, str, Event, Priority]], shift_ms: int = 0) -> list[Happening]:
    state = dict.fromkeys("abc", State.NORMAL)
    found = []
    for minute, alarm, event, priority in sorted(drawn, key=lambda d: d[0]):
        after = step(state[alarm], event).state
        found.append(
            Happening(
                alarm_id=alarm,
                vehicle=f"NF-{alarm}",
                kind="overcooled",
                time_ms=minute * MINUTE + shift_ms,
                event=event.value,
                before=state[alarm],
                after=after,
                priority=priority,
            )
        )
        state[alarm] = after
    return found


@given(drawn=EVENTS, shift_ms=st.integers(-(10**12), 10**12))
def test_the_figures_do_not_hang_on_when_it_was(
    drawn: list[tuple[int, str, Event, Priority]], shift_ms: int
) -> None:
    first = figures(Rows(happenings=lives(drawn)), since_ms=0, until_ms=DAY_MS, rules=Rules())
    later = figures(
        Rows(happenings=lives(drawn, shift_ms)),
        since_ms=shift_ms,
        until_ms=shift_ms + DAY_MS,
        rules=Rules(),
    )
    assert replace(later, since_ms=0, until_ms=DAY_MS) == first


@given(drawn=EVENTS, cut=st.integers(1, 1999))
def test_what_is_counted_in_two_parts_adds_up(
    drawn: list[tuple[int, str, Event, Priority]], cut: int
) -> None:
    happenings = lives(drawn)
    whole = counted(happenings, until=2000)
    parts = [counted(happenings, until=cut), counted(happenings, since=cut, until=2000)]
    for name in ("alarms", "flood_ms", "floods"):
        assert sum(getattr(p.load, name) for p in parts) == getattr(whole.load, name)
    for name, count in whole.priorities.items():
        assert sum(part.priorities[name] for part in parts) == count
    assert sum(part.nuisance.fleeting for part in parts) == whole.nuisance.fleeting
    assert (
        sum(part.acknowledged["all"].count for part in parts) == whole.acknowledged["all"].count
    )
    assert max(part.load.peak for part in parts) == whole.load.peak
    assert max(part.nuisance.stale_most for part in parts) == whole.nuisance.stale_most


@given(minutes=MINUTES)
def test_a_flood_is_what_a_count_minute_by_minute_says(minutes: list[int]) -> None:
    times_ms = sorted(minute * MINUTE for minute in minutes)
    flooded, spans = False, set()
    for minute in range(2100):
        now_ms = minute * MINUTE
        inside = sum(now_ms - 600_000 < time_ms <= now_ms for time_ms in times_ms)
        flooded = inside > 10 or (flooded and inside >= 5)
        if flooded:
            spans.add(minute)
    found = floods(times_ms, FloodRule())
    assert spans == {m for a, b in found for m in range(a // MINUTE, b // MINUTE)}
    most = max(
        (sum(t - 600_000 < other <= t for other in times_ms) for t in times_ms), default=0
    )
    assert peak(times_ms, 600_000, since_ms=0, until_ms=2001 * MINUTE) == most


def test_each_line_says_its_target() -> None:
    happenings = raised(*(0.5 * n for n in range(11)))
    said = {line.about: line for line in lines(counted(happenings))}
    assert said["Most in 10 min"].figure == "11"
    assert (said["Most in 10 min"].target, said["Most in 10 min"].kept) == ("up to 10", False)
    assert said["Alarms per hour"].kept is True
    assert said["Time in flood"].figure == "0.6% (1 begun)"
    assert said["Priority low"].figure == "100% (11)"
    assert said["Priority critical"].target == "under 1%"
    assert said["Acknowledged, all"].figure == "none"
    assert said["Not acknowledged yet"].figure == "11"


@pytest.mark.parametrize(
    ("ms", "said"),
    [
        (450, "0.45 s"),
        (60_000, "1 min"),
        (90_000, "90 s"),
        (DAY_MS, "1 d"),
        (5_400_000, "90 min"),
    ],
)
def test_a_span_in_the_unit_that_suits(ms: float, said: str) -> None:
    assert span(ms) == said
