"""Mails of an invented fleet as its people would get them: one alarm, many, what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import tzinfo
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np

from alerts import channels
from alerts.alarm import Matter
from alerts.ledger import Alarm
from alerts.notice import Notice, Picture
from alerts.outbox import Entry
from alerts.page import Report, Table, report_page
from alerts.sending import Sending, Told
from alerts.sheet import Passage
from alerts.wording import Extras, compose
from models.transition import Priority
from models.units import US, Units
from review.kinds import WORDS
from review.pictures import temperature as temperature_chart
from tests.alerts.store import MINUTE, NOON, notice

ZONE = ZoneInfo("America/Denver")
UNITS = replace(US, zone=ZONE)
URL = "https://heatbook.northfold.example/answer/eyJhIjoiN2YxIn0.aVQ3gA.m5T2o0W3c9k1Zq8y7x6v5u4t3s2"

CIRCUIT: Mapping[str, float] = {
    "fluid_temp_c": 121.2,
    "expected_temp_c": 91.5,
    "expected_sd_k": 2.5,
    "cooler_share": 0.0153,
    "cooler_share_sd": 0.0086,
    "heat_kw": 7.16,
    "ambient_temp_c": 32.0,
    "coolant_temp_c": 92.0,
    "p_healthy": 0.0001,
    "p_shut": 0.9765,
    "p_low": 0.0000335,
    "p_open": 0.0,
    "p_air": 0.0038,
    "p_flow": 0.0192,
    "p_slip": 0.0,
    "p_sensor": 0.00017,
    "suspected_since_unix_s": NOON / 1000 - 360,
    "cooler_flow_last_proven_unix_s": NOON / 1000 - 840,
    "coolant_cooled": 0.0,
    "circuit_assumed": 0.0,
    "valve_full_open_c": 96.0,
    "learned": 0.46,
    "slip_told": 1.0,
}
"""What the demo's stuck valve gave as evidence, with the causes that remain moved apart a little."""

HOT: Mapping[str, float] = {
    **{name: value for name, value in CIRCUIT.items() if name.startswith("p_")},
    "fluid_temp_c": 127.4,
    "limit_c": 121.0,
    "peak_temp_c": 127.1,
    "minutes_above_limit": 10.7,
    "ambient_temp_c": 38.8,
    "heat_kw": 24.7,
    "circuit_fault_probability": 0.00017,
    "circuit_judged_minutes_ago": 0.2,
    "foreseen": 0.0,
    "rise_k_min": 0.42,
    "next_limit_c": 135.0,
    "minutes_to_next_limit": float("nan"),
    "minutes_to_next_limit_soonest": float("nan"),
    "minutes_to_next_limit_latest": float("nan"),
    "sensor_suspect": 0.0,
    "coolant_cooled": 0.0,
    "p_shut": 0.0,
    "p_healthy": 0.9998,
}
SLIP: Mapping[str, float] = {
    "slip_rpm": 84.0,
    "usual_slip_rpm": 6.0,
    "slip_limit_rpm": 50.0,
    "slip_heat_kw": 3.1,
    "slip_heat_share": 0.3,
    "minutes_of_slip": 12.0,
    "suspected_since_unix_s": NOON / 1000 - 1200,
    "slip_measured": 1.0,
    "gear_ratio_known_min": 400.0,
    "overrun_unknown": 0.0,
    "fluid_temp_c": 96.0,
    "limit_temp_c": 121.0,
}
SILENT: Mapping[str, float] = {"quiet_minutes": 17.0}

KINDS: tuple[tuple[str, Priority, Mapping[str, float]], ...] = (
    ("bypass_stuck", Priority.CRITICAL, CIRCUIT),
    ("over_temperature", Priority.HIGH, HOT),
    ("lockup_slip", Priority.MEDIUM, SLIP),
    ("gateway_silent", Priority.MEDIUM, SILENT),
    ("cooler_starved", Priority.HIGH, {**CIRCUIT, "p_shut": 0.01, "p_air": 0.95}),
)


def scenes() -> dict[str, Notice]:
    """Give the mails by name."""
    stuck = told(1, *KINDS[0])
    remark = "Nobody has acknowledged this alarm since 05:02. Told so far: Ines (05:02), Omar (05:07)"
    return {
        "alarm": mail(stuck),
        "reminder": mail(told(1, *KINDS[0], matter=Matter.REMINDER, remark=remark)),
        "normal": mail(told(1, *KINDS[0], matter=Matter.NORMAL)),
        "hot": mail(told(5, *KINDS[1], matter=Matter.RISE)),
        "twelve": mail(*(told(nth, *KINDS[nth % 5]) for nth in range(1, 13))),
        "flood": mail(
            told(0, *KINDS[0]), *(told(nth, *KINDS[nth % 5 or 1]) for nth in range(1, 500))
        ),
        "report": report(),
    }


def told(
    nth: int,
    kind: str,
    priority: Priority,
    evidence: Mapping[str, float],
    *,
    matter: Matter = Matter.ACTIVE,
    remark: str = "",
) -> Told:
    """Make a telling of the nth truck."""
    onset_ms = NOON - nth * MINUTE
    over_ms = onset_ms + (40 * MINUTE if matter is Matter.NORMAL else 0)
    name = f"{kind}-{nth}"
    alarm = Alarm(
        id=f"{nth:04x}7f1c9633d0f9f70a",
        vehicle=f"NF-{nth:02d}",
        kind=kind,
        onset_ms=onset_ms,
        raised_ms=onset_ms,
        priority=priority,
        probability=0.9765,
        evidence=evidence,
        first_seen_ms=onset_ms,
        told_ms=onset_ms,
    )
    entry = Entry(
        id=name,
        alarm_id=alarm.id,
        destination="smtp/ines",
        matter=matter,
        turn=0,
        time_ms=over_ms,
        priority=priority,
        probability=0.9765,
        evidence=evidence,
        onset_ms=onset_ms,
        remark=remark,
        created_ms=over_ms,
        due_ms=over_ms,
        state="pending",
        settled_ms=None,
        sending_id=None,
        moved_from="",
        attempts=0,
        last_error="",
    )
    return Told(entry=entry, alarm=alarm)


def mail(*found: Told, names: Mapping[str, str] | None = None, drawn: bool = True) -> Notice:
    """Compose the mail that these tellings become."""
    sending = Sending(
        id="5e7d1e5e7d1e",
        destination="smtp/ines",
        what="alarms",  # type: ignore[arg-type] # its value
        content="",
        priority=max(one.entry.priority for one in found),
        created_ms=NOON,
        due_ms=NOON,
        attempts=0,
        first_ms=None,
        tried_ms=None,
        state="pending",
        settled_ms=None,
        last_error="",
        moved_from="",
    )
    extras = Extras(
        shows_pages=channels.shows_pages,
        draw=chart if drawn else lambda *_: None,
        answer_url=lambda *_: URL,
        answer_all_url=lambda *_: URL,
    )
    known = {"NF-01": "Old Hand", "NF-05": "Blue Mule"} if names is None else names
    return compose(
        sending, found, words=WORDS, units=UNITS, zone=ZONE, names=known, extras=extras
    )


def chart(entry: Entry, alarm: Alarm, units: Units, zone: tzinfo) -> Picture | None:
    """Draw a made-up climb of the truck."""
    if "fluid_temp_c" not in entry.evidence:
        return None
    hot_c = entry.evidence["fluid_temp_c"]
    over = entry.matter is Matter.NORMAL
    course = _climb(alarm.vehicle, hot_c, entry.time_ms, alarm.onset_ms, over=over)
    png = temperature_chart.draw(course, units, zone)
    return Picture(name="chart", png=png, alt=temperature_chart.describe(course, units, zone))


@cache
def _climb(
    truck: str, hot_c: float, end_ms: int, onset_ms: int, *, over: bool = False
) -> temperature_chart.Course:
    minutes = np.arange(121)
    times = end_ms - minutes[::-1] * MINUTE
    calm = 86.0 + 2.0 * np.sin(minutes / 11)
    rise = np.clip((minutes - (70 if over else 108)) / 12, 0.0, 1.0)
    rise = np.minimum(rise, np.clip((121 - minutes) / 15, 0.0, 1.0)) if over else rise
    fluid = calm + (hot_c - calm) * rise
    return temperature_chart.Course(
        truck=truck,
        time_ms=times.astype(np.int64),
        fluid_c=fluid,
        healthy=temperature_chart.Healthy(
            time_ms=times.astype(np.int64),
            celsius=calm + 5.0 * rise,
            sd_k=0.4 + 2.0 * rise,
        ),
        limits=temperature_chart.shown(
            (("highest allowed", 121.0), ("critical", 135.0)), float(fluid.max())
        ),
        onset_ms=onset_ms,
    )


def report() -> Notice:
    """Write a report with every part that one may have."""
    course = _climb("NF-03", 121.0, NOON, NOON - 6 * MINUTE)
    drawn = Picture(
        name="chart",
        png=temperature_chart.draw(course, UNITS, ZONE),
        alt=temperature_chart.describe(course, UNITS, ZONE),
    )
    page = report_page(
        Report(
            head="Today",
            title="Northfold, 1 January: 2 trucks need you, 8 are well",
            lead="Since yesterday 06:00.",
            parts=(
                Passage(
                    heading="What needs doing first",
                    points=(
                        "NF-03: have the bypass valve checked before the next tow.",
                        "NF-07: book fluid and filter, due about 12 January.",
                    ),
                    weight="do",
                ),
                Table(
                    caption="Trucks",
                    heads=("Truck", "Hottest", "Life used", "Next service"),
                    rows=(
                        ("NF-03", "249 °F", "54%", "12 January"),
                        ("NF-05 (Blue Mule)", "261 °F", "31%", "3 March"),
                        ("NF-07", "212 °F", "96%", "12 January"),
                    ),
                    numbers=frozenset({1, 2}),
                ),
                drawn,
                Passage(heading="What nobody can see", lines=("NF-08 has sent nothing.",)),
            ),
        )
    )
    return notice(
        destination="smtp/ines", subject="Today", items=(), page=page, pictures=(drawn,)
    )
