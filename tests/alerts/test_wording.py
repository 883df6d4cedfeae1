from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

import models.silence
from alerts.notice import Notice
from alerts.phrases import MANUAL_FIRST, moment, plain, sureness
from alerts.silence import raise_silent
from alerts.watch import EVERYBODY, SILENT
from alerts.wording import explain
from models.cautions import HOT_FLUID
from models.detectors import DETECTORS
from models.transition import Priority, Transition
from models.units import METRIC, US, Units
from models.words import Words, WriteWords
from tests.alerts.store import MINUTE, NOON, POLICY, memory, transition, worded, write


def hot(evidence: Mapping[str, float], units: Units) -> Words:
    return Words(
        title="Fluid too hot",
        observed=f"Fluid at {units.degrees(evidence['fluid_temp_c'])} for 12 min. " + "X" * 200,
        expected=f"Below {units.degrees(110)}.",
        doubts="A steep pull.",
        action="Stop where it is safe.",
        driver=(),
        technician=(HOT_FLUID,),
    )


WORDS: dict[str, WriteWords] = {"over_temperature": hot}
RAISED = transition(NOON + 1000, NOON, kind="over_temperature", fluid_temp_c=121.0)
RISEN = replace(RAISED, time_ms=NOON + 2 * MINUTE, priority=Priority.CRITICAL)
CLEARED = replace(RAISED, time_ms=NOON + 5 * MINUTE, active=False)


def notices(*versions: list[Transition], name: str = "", units: Units = METRIC) -> list[Notice]:
    conn = memory()
    found: list[Notice] = []
    for number, version in enumerate(versions):
        write(conn, version, now_ms=NOON + number * MINUTE)
        found += worded(
            conn,
            NOON + number * MINUTE,
            words=WORDS,
            units=units,
            zone=ZoneInfo("MST7MDT"),
            names={"NF-01": name},
        )
    return found


def test_a_notice_says_everything_that_is_asked_of_it() -> None:
    (found,) = notices([RAISED], name="Old hand", units=US)
    assert found.subject == "ALARM HIGH NF-01 (Old hand): Fluid too hot"
    for part in (
        "WHAT WAS SEEN\nFluid at 250 °F",
        "WHAT A HEALTHY TRUCK WOULD HAVE SHOWN\nBelow 230 °F.",
        "SINCE\n2026-01-01 05:00:00 MST (UTC-07:00)",
        "HOW SURE\n99.8 % by the evidence so far.",
        "WHAT ELSE COULD EXPLAIN IT\nA steep pull.",
        "WHAT TO DO NOW\nStop where it is safe.",
        f"CAUTIONS FOR WHOEVER WORKS ON IT\n- {HOT_FLUID}",
        f"HOW FAR TO TRUST IT\n- {MANUAL_FIRST}",
        found.items[0].alarm_id,
    ):
        assert part in found.body
    assert found.thread == ()


def test_a_short_notice_says_what_to_do_before_what_was_seen() -> None:
    (found,) = notices([RAISED])
    assert found.short == (
        "ALARM HIGH NF-01: Fluid too hot. Stop where it is safe. Fluid at 121 C for 12 min."
    )


def test_a_rise_says_since_when() -> None:
    _, rise = notices([RAISED], [RAISED, RISEN])
    assert rise.subject.startswith("NOW CRITICAL NF-01")
    assert "critical since 2026-01-01 05:02:00 MST" in rise.body


def test_the_end_says_how_long_it_lasted() -> None:
    first, normal = notices([RAISED], [RAISED, CLEARED])
    assert normal.subject.startswith("BACK TO NORMAL, was HIGH NF-01")
    assert "From 2026-01-01 05:00:00 MST (UTC-07:00)\nto 2026-01-01 05:05:00" in normal.body
    assert normal.thread == (first.id,)
    assert "WHAT TO DO NOW" not in normal.body


def test_a_withdrawal_says_so_and_gives_no_orders() -> None:
    _, withdrawn = notices([RAISED], [])
    assert withdrawn.subject.startswith("WITHDRAWN, was HIGH NF-01")
    assert "no longer holds" in withdrawn.body
    assert "WHAT TO DO NOW" not in withdrawn.body


def test_what_was_measured_is_not_called_inferred() -> None:
    (found,) = notices([replace(RAISED, probability=1.0)])
    assert "measured, not inferred" in found.body


@pytest.mark.parametrize("evidence", [{}, {"other": 2.5}])
def test_missing_numbers_and_unknown_kinds_get_plain_words(evidence: dict[str, float]) -> None:
    for kind in ("over_temperature", "something_new"):
        said = explain(kind, "NF-01", evidence, words=WORDS, units=METRIC)
        assert said.title in ("Over temperature", "Something new")
        assert ("other 2.5" in said.observed) is bool(evidence)


def test_a_general_silence_speaks_of_all_trucks() -> None:
    conn = memory()
    alarm = raise_silent(
        conn,
        vehicle=EVERYBODY,
        onset_ms=NOON,
        now_ms=NOON + MINUTE,
        policy=POLICY,
        evidence={"quiet_minutes": 6.0, "trucks": 12.0},
    )
    assert alarm is not None
    (found,) = worded(conn, NOON + MINUTE, words={}, units=METRIC, zone=UTC, names={})
    assert found.subject == "ALARM MEDIUM all trucks: No data from any truck"
    assert "any of 12 trucks for 6 min" in found.body


def test_a_silence_remembers_how_it_ended() -> None:
    conn = memory()
    words: dict[str, WriteWords] = {SILENT: models.silence.words}
    raise_silent(
        conn,
        vehicle="NF-01",
        onset_ms=NOON,
        now_ms=NOON,
        policy=POLICY,
        evidence={"quiet_minutes": 15.0},
    )
    gap = transition(NOON, NOON, kind=SILENT, quiet_minutes=15.0)
    write(conn, [gap], now_ms=NOON)
    write(conn, [], now_ms=NOON + MINUTE)
    *_, found = worded(conn, NOON + MINUTE, words=words, units=METRIC, zone=UTC, names={})
    assert "No sample for 15 min" in found.body
    assert "REMARK\nThe stored backlog filled the gap." in found.body


def test_every_detector_has_words_of_its_own() -> None:
    assert all(callable(detector.words) for detector in DETECTORS)


@pytest.mark.parametrize(
    ("utc_hour", "written"),
    [
        (0, "2026-10-25 02:30:00 CEST (UTC+02:00)"),
        (1, "2026-10-25 02:30:00 CET (UTC+01:00)"),
    ],
)
def test_the_doubled_hour_is_told_apart(utc_hour: int, written: str) -> None:
    midnight_ms = 1_792_886_400_000
    time_ms = midnight_ms + (60 * utc_hour + 30) * MINUTE
    assert moment(time_ms, ZoneInfo("CET")) == written


@given(st.text())
def test_a_name_can_carry_neither_headers_nor_markup(name: str) -> None:
    written = plain(name)
    assert len(written) <= 64
    assert not set(written) & set('\r\n\t<>&"`*[]{}|\\@:;=')
    assert written == plain(written)
    assert written.isprintable()


@pytest.mark.parametrize(
    "name", ["x\r\nBcc: all@example.org", "<b>x</b>", "[x](https://example.org)", "\u202ex"]
)
def test_an_ill_meant_name_is_harmless(name: str) -> None:
    (found,) = notices([RAISED], name=name)
    assert not set(found.subject) & set("\r\n<>[]@\u202e")
    assert not set(found.body) & set("\r<>[]@\u202e")


@pytest.mark.parametrize(
    ("probability", "said"), [(1.0, "measured"), (0.999999, "99.9%"), (0.912, "91.2%")]
)
def test_what_is_inferred_is_never_called_certain(probability: float, said: str) -> None:
    assert sureness("bypass_stuck", probability) == said
    assert sureness("service_due", probability) == "by account"
