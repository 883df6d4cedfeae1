"""One alarm in three forms: the same facts in a text message, a mail and labelled lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import UTC

from alerts import outbox
from alerts.console_form import CAUTIONS, lines
from alerts.full_form import body
from alerts.journal import alarms
from alerts.ledger import Alarm
from alerts.outbox import Entry
from alerts.phrases import MANUAL_FIRST
from models.cautions import HANDS_OFF, HOT_FLUID
from models.units import METRIC, Units
from models.words import Words, WriteWords
from tests.alerts.store import NOON, memory, transition, worded, write

SAID = Words(
    title="Cooler bypass valve stuck: hot fluid is not reaching the cooler",
    observed="Fluid at 117 °C with about 10 kW going in.",
    expected="About 93 °C (8 in 10: 88 °C to 98 °C).",
    doubts="A blocked line looks the same from the sump.",
    action="Take the load off now and stop where it is safe. Have the valve checked before the next tow.",
    driver=(HANDS_OFF,),
    technician=(HOT_FLUID,),
    brief="Cooler bypass valve stuck",
    at_once="Take the load off, stop where safe",
    share="The cooler carries about 4% of its share.",
    since="A fault has been likelier than not since 12:00.",
    proven="Cooler flow last proven 11:32.",
    rivals="Bypass valve stuck: 93%; cooler starved of fluid: 5%.",
    tells_apart="A stop at a raised idle tells.",
)
BARE = replace(SAID, share="", since="", proven="", rivals="", tells_apart="")


def _raised() -> tuple[Entry, Alarm]:
    conn = memory()
    write(conn, [transition(NOON + 1000, NOON, kind="bypass_stuck")], now_ms=NOON)
    (alarm,) = alarms(conn)
    return next(each for each in outbox.entries(conn) if each.destination == "desk"), alarm


def _parts() -> list[str]:
    """Give all that is said, but for what only the text message says."""
    said = [
        getattr(SAID, field.name)
        for field in fields(SAID)
        if field.name not in ("brief", "at_once")
    ]
    return [
        *(each for each in said if isinstance(each, str) and each),
        *SAID.cautions,
        MANUAL_FIRST,
    ]


def test_a_mail_says_all_of_it_and_what_to_do_first() -> None:
    entry, alarm = _raised()
    text = body(entry, alarm, SAID, "NF-01", UTC, METRIC)
    assert all(part in text for part in _parts())
    headings = [each.split("\n")[0] for each in text.split("\n\n")]
    assert headings[1:-1] == [
        "WHAT TO DO NOW",
        "CAUTIONS FOR WHOEVER DRIVES",
        "WHAT WAS SEEN",
        "WHAT A HEALTHY TRUCK WOULD HAVE SHOWN",
        "SINCE",
        "HOW SURE",
        "CAUTIONS FOR WHOEVER WORKS ON IT",
        "HOW FAR TO TRUST IT",
        "CAUSES THAT REMAIN",
        "WHAT ELSE COULD EXPLAIN IT",
        "WHAT WOULD TELL",
        "LAST SEEN TO WORK",
    ]


def test_the_console_says_the_same_in_labelled_lines() -> None:
    _, alarm = _raised()
    told = lines(alarm, SAID, UTC)
    assert all(any(part in line.text for line in told) for part in _parts())
    assert [line.about for line in told][:2] == ["Alarm", "Do now"]
    assert [line.about for line in told if line.about in CAUTIONS] == [
        "Driver",
        "Shop",
        "Trust",
    ]


def test_what_is_not_known_has_no_heading_and_no_line() -> None:
    entry, alarm = _raised()
    text = body(entry, alarm, BARE, "NF-01", UTC, METRIC)
    for heading in ("CAUSES THAT REMAIN", "WHAT WOULD TELL", "LAST SEEN TO WORK"):
        assert heading not in text
    assert {line.about for line in lines(alarm, BARE, UTC)}.isdisjoint(
        {"Causes left", "What tells", "Last worked"}
    )
    assert all(line.text.strip() for line in lines(alarm, BARE, UTC))


def test_a_text_message_says_truck_matter_and_action_first() -> None:
    def write_words(evidence: Mapping[str, float], units: Units) -> Words:
        del evidence, units
        return SAID

    words: dict[str, WriteWords] = {"bypass_stuck": write_words}
    conn = memory()
    write(conn, [transition(NOON + 1000, NOON, kind="bypass_stuck")], now_ms=NOON)
    (found,) = worded(conn, NOON, words=words, units=METRIC, zone=UTC, names={})
    assert found.short == (
        "ALARM HIGH NF-01: Cooler bypass valve stuck. Take the load off, stop where safe. "
        "Fluid at 117 C with about 10 kW going in."
    )
