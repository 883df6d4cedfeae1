"""Several alarms in one notice: all are there, the worst first, by cause or by truck; short enough."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import gathering, sending
from alerts.gsm import BASIC, EXTENDED, septets
from alerts.notice import Notice, Recipient
from alerts.phrases import MANUAL_FIRST
from alerts.policy import Policy, Route
from alerts.wording import Extras, compose
from models.cautions import HANDS_OFF, HOT_FLUID
from models.transition import Priority, Transition
from models.units import METRIC, US, Units
from models.words import Words, WriteWords
from tests.alerts.store import MINUTE, NOON, memory, transition, write

LATER = NOON + 30 * MINUTE


def hot(evidence: Mapping[str, float], units: Units) -> Words:
    return Words(
        title="Fluid too hot",
        observed=f"Fluid at {units.degrees(evidence['fluid_temp_c'])} for 12 min.",
        expected="",
        doubts="",
        action="Take the load off and stop where it is safe. Let it idle.",
        driver=(HANDS_OFF,),
        technician=(HOT_FLUID,),
    )


WORDS: dict[str, WriteWords] = {"over_temperature": hot}
NAMES = {"NF-01": "Old hand"}


def over(truck: str, air_c: float = 25.0, **how: object) -> list[Transition]:
    return [
        transition(
            NOON,
            NOON,
            kind="over_temperature",
            vehicle=truck,
            fluid_temp_c=121.0,
            ambient_temp_c=air_c,
            **how,  # type: ignore[arg-type] # passed on
        )
    ]


def bundle(
    *trucks: list[Transition],
    before: tuple[list[Transition], ...] = (),
    destination: str = "mail",
    recipient: Recipient | None = None,
    extras: Extras | None = None,
) -> Notice:
    """Give the one notice of what these trucks showed; ``before`` was there earlier, and told."""
    conn = memory()
    policy = Policy(routes=(Route(channel=destination),), late_after_ms=1 << 60)
    look = gathering.Look(channel=destination.partition("/")[0], bundles=True, now_ms=LATER)
    for found in (*before, *trucks):
        if found is (trucks[0] if trucks else None) and before:
            first = gathering.take(conn, look)
            assert first is not None
            sending.settle(conn, first, NOON, "told")
            conn.execute("UPDATE sending SET tried_ms = 0")
        write(conn, found, now_ms=NOON, vehicle=found[0].vehicle, policy=policy)
    claimed = gathering.take(conn, look)
    assert claimed is not None
    return compose(
        claimed,
        sending.told(conn, claimed.id),
        words=WORDS,
        units=METRIC,
        zone=UTC,
        names=NAMES,
        recipient=lambda _: recipient,
        extras=extras or Extras(),
    )


def test_the_same_on_three_trucks_is_one_section_with_the_air_and_one_order() -> None:
    found = bundle(*(over(f"NF-0{n}", air_c=37.0 + n) for n in (1, 2, 3)))
    assert found.subject.startswith("3 alarms on 3 trucks: ALARM HIGH NF-0")
    section = found.body.split("\n\n")[1]
    head, air, order, *lines = section.split("\n")
    assert head == "FLUID TOO HOT: 3 TRUCKS"
    assert air == (
        "Outside air at these trucks: 38 °C to 40 °C. Heat may be what they have in common."
    )
    assert order == "Do now: Take the load off and stop where it is safe."
    assert [line.split(",")[0] for line in sorted(lines)] == [
        "- ALARM HIGH NF-01 (Old hand)",
        "- ALARM HIGH NF-02",
        "- ALARM HIGH NF-03",
    ]
    assert "Fluid at 121 °C for 12 min." in lines[0]


def test_cool_air_is_said_and_blamed_for_nothing() -> None:
    found = bundle(*(over(f"NF-0{n}", air_c=12.0) for n in (1, 2, 3)))
    assert "Outside air at these trucks: 12 °C.\n" in found.body


def test_the_alarms_of_one_truck_stand_together_the_worst_truck_first() -> None:
    both = [*over("NF-01"), transition(NOON + 1, NOON, vehicle="NF-01")]
    found = bundle(both, over("NF-02", priority=Priority.CRITICAL))
    parts = found.body.split("\n\n")
    assert parts[1].startswith("NF-02\n- ALARM CRITICAL: Fluid too hot, since ")
    assert parts[2].startswith("CAUTIONS FOR WHOEVER DRIVES\n")
    assert parts[3].startswith("NF-01 (Old hand)\n")
    assert parts[3].count("\n- ") == 2
    assert found.subject.startswith(
        "3 alarms on 2 trucks: ALARM CRITICAL NF-02: Fluid too hot;"
    )
    assert found.priority is Priority.CRITICAL


def test_what_rose_or_ended_before_it_was_told_is_one_line_as_it_is_now() -> None:
    up = [*over("NF-01"), *over("NF-01", priority=Priority.CRITICAL)]
    up[1] = transition(
        NOON + 60_000,
        NOON,
        kind="over_temperature",
        priority=Priority.CRITICAL,
        fluid_temp_c=131.0,
    )
    ended = [
        *over("NF-02"),
        transition(
            NOON + 5 * MINUTE,
            NOON,
            kind="over_temperature",
            active=False,
            vehicle="NF-02",
            fluid_temp_c=99.0,
        ),
    ]
    found = bundle(up, ended)
    assert found.body.startswith("1 alarm on 1 truck, 1 over.\n")
    assert found.body.count("NF-01") == 1
    assert (
        "BACK TO NORMAL\n- HIGH NF-02: Fluid too hot, 2026-01-01 12:00 UTC to 2026-01-01 12:05 UTC."
        in found.body
    )
    assert "CRITICAL" in found.body.split("\n\n")[1]


def test_dangers_are_said_once_and_the_manual_comes_first() -> None:
    found = bundle(*(over(f"NF-0{n}") for n in range(1, 6)))
    assert found.body.count(HOT_FLUID) == found.body.count(HANDS_OFF) == 1
    assert f"HOW FAR TO TRUST IT\n- {MANUAL_FIRST}" in found.body


def test_five_hundred_alarms_are_all_listed_one_short_line_each() -> None:
    found = bundle(*(over(f"NF-{n:03d}") for n in range(500)))
    lines = [line for line in found.body.splitlines() if line.startswith("- ALARM")]
    assert {re.findall(r"NF-\d{3}", line)[0] for line in lines} == {
        f"NF-{n:03d}" for n in range(500)
    }
    assert len(lines) == 500
    assert max(map(len, lines)) <= 60
    assert found.subject.startswith("500 alarms on 500 trucks: ALARM HIGH NF-")
    assert found.subject.endswith(" more")
    assert found.short.startswith("500 alarms on 500 trucks. HIGH NF-")
    assert "Take the load off and stop where it is safe." in found.short


def test_a_person_reads_their_own_units_and_zone() -> None:
    reader = Recipient(
        name="Omar", address="o@northfold.example", units=US, zone=ZoneInfo("MST7MDT")
    )
    found = bundle(over("NF-01"), over("NF-02"), destination="mail/omar", recipient=reader)
    assert "250 °F" in found.body
    assert "since 2026-01-01 05:00 MST" in found.body
    assert found.recipient == reader


def test_a_link_answers_all_and_each_has_its_own_on_the_page() -> None:
    extras = Extras(
        shows_pages=lambda _: True,
        answer_url=lambda alarm, turn, person, made_ms: (
            f"https://x.example/{alarm}/{turn}/{person}"
        ),
        answer_all_url=lambda name, person, made_ms: f"https://x.example/all/{name}/{made_ms}",
    )
    found = bundle(over("NF-01"), over("NF-02"), destination="mail/omar", extras=extras)
    every = f"https://x.example/all/{found.id}/{LATER}"
    assert f"I HAVE SEEN ALL OF THESE\n{every}\n" in found.body
    assert every in found.page
    for item in found.items:
        assert f"https://x.example/{item.alarm_id}/0/omar" in found.page
    assert "https" not in found.short


names = st.text(st.characters(codec="utf-8"), max_size=80)


@given(
    st.lists(
        st.tuples(st.sampled_from(Priority), st.booleans(), names), min_size=2, max_size=40
    ),
)
def test_the_short_form_is_one_text_message_whatever_the_trucks_are_called(
    found: list[tuple[Priority, bool, str]],
) -> None:
    trucks = []
    for n, (priority, active, name) in enumerate(found):
        raised = over(f"{n:02d}{name}", priority=priority)
        if not active:
            raised.append(
                transition(
                    NOON + MINUTE,
                    NOON,
                    kind="over_temperature",
                    active=False,
                    vehicle=raised[0].vehicle,
                    priority=priority,
                    fluid_temp_c=90.0,
                )
            )
        trucks.append(raised)
    said = bundle(*trucks)
    assert set(said.short) <= BASIC | EXTENDED
    assert septets(said.short) <= 160
    assert len({item.alarm_id for item in said.items}) == len(found)
    assert "\n" not in said.subject


@pytest.mark.parametrize("count", [2, 3, 7, 40])
def test_the_short_form_counts_what_it_leaves_out(count: int) -> None:
    said = bundle(*(over(f"NF-{n:02d}") for n in range(count))).short
    listed = said.count(": Fluid too hot.")
    left = re.search(r"And (\d+) more\.$", said)
    assert listed >= 1
    assert listed + (int(left[1]) if left else 0) == count


def test_one_alarm_of_which_two_things_are_told_has_no_count_in_its_subject() -> None:
    ended = [
        *over("NF-02"),
        transition(
            NOON + 5 * MINUTE,
            NOON,
            kind="over_temperature",
            active=False,
            vehicle="NF-02",
            fluid_temp_c=99.0,
        ),
    ]
    found = bundle(ended)
    assert found.subject == "BACK TO NORMAL, was HIGH NF-02: Fluid too hot"
    assert found.body.startswith("1 alarm over on 1 truck.\n")
