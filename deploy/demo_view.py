"""The demo's picture in the terminal, and its summary."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from io import StringIO

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console, Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from alerts.ledger import Alarm
from alerts.wording import explain
from deploy.assembly import WORDS
from deploy.demo_facts import Facts, Told, TruckFacts
from models.transition import Priority
from models.units import Units
from simulator.northfold import EVENTS, START_MS

STEPS = "▁▂▃▄▅▆▇█"
COLDEST_C, HOTTEST_C = 40.0, 150.0
MOST_TOLD = 5
MOST_LOOKED_AT = 4
STYLES = {
    Priority.LOW: "cyan",
    Priority.MEDIUM: "yellow",
    Priority.HIGH: "dark_orange",
    Priority.CRITICAL: "bold red",
}
QUIET = "All is well so far: wait for the next truck to get into trouble."


def picture(facts: Facts, *, now_ms: int, speed: float, units: Units) -> RenderableType:
    """Lay out the live view."""
    head = Text.assemble(
        ("Heatbook", "bold"),
        "  Northfold Towing & Haulage (an invented fleet)   ",
        (f"{clock(now_ms)} UTC", "bold"),
        f"   one second here is {speed / 60:.3g} minutes there   {facts.messages:,} messages",
    )
    return Group(
        head,
        _fleet(facts, now_ms, units),
        Panel(_look_at(facts, now_ms, units), title="Look at", title_align="left"),
        Panel(_notices(facts.told), title="People were told", title_align="left"),
    )


def drawn(view: RenderableType) -> str:
    """Give a view as an SVG picture that needs nothing from elsewhere."""
    console = Console(record=True, width=132, file=StringIO(), force_terminal=True)
    console.print(view)
    bare = re.sub(
        r"@font-face \{\{.*?\}\}|<!-- .*? -->", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL
    )
    svg = console.export_svg(title="heatbook demo", code_format=bare)
    return re.sub(r'<g transform="translate\(26,22\)">.*?</g>', "", svg, flags=re.DOTALL)


def _fleet(facts: Facts, now_ms: int, units: Units) -> Table:
    table = Table(expand=True, pad_edge=False)
    table.add_column("Truck", no_wrap=True)
    table.add_column("Fluid", justify="right", no_wrap=True)
    table.add_column("the hour before now", no_wrap=True)
    table.add_column("Load", justify="right", no_wrap=True)
    table.add_column("Speed", justify="right", no_wrap=True)
    table.add_column("Life used", justify="right", no_wrap=True)
    table.add_column("Alarms", ratio=1)
    for truck in facts.trucks:
        mine = [
            alarm for alarm in facts.alarms if alarm.vehicle == truck.vehicle and alarm.active
        ]
        table.add_row(*_row(truck, mine, now_ms, units))
    return table


def _row(
    truck: TruckFacts, active: Sequence[Alarm], now_ms: int, units: Units
) -> tuple[RenderableType, ...]:
    hot = truck.fluid_c >= truck.limit_c
    stale = now_ms - truck.last_ms > 10 * 60_000
    standing = [alarm for alarm in active if not alarm.withdrawn]
    words = Text("; ").join(
        Text(alarm.kind.replace("_", " "), style=STYLES[alarm.priority]) for alarm in standing
    )
    if not standing and stale:
        words = Text("quiet since it moved" if truck.moving else "parked", style="dim")
    return (
        Text(truck.vehicle, style="dim" if stale else "bold"),
        Text(_number(truck.fluid_c, units.degrees), style="bold red" if hot else ""),
        trace(truck),
        _number(truck.load_pct, lambda value: f"{value:.0f} %"),
        _number(truck.speed_km_h, lambda value: f"{value:.0f} km/h"),
        f"{truck.account.life_used:.2%}",
        words,
    )


def trace(truck: TruckFacts) -> Text:
    """Draw the temperature of the last hour; red above the truck's limit, a dot where unseen."""
    drawn = Text()
    for value in truck.trace_c:
        if math.isnan(value):
            drawn.append("·", style="dim")
            continue
        share = (value - COLDEST_C) / (HOTTEST_C - COLDEST_C)
        step = min(len(STEPS) - 1, max(0, int(share * len(STEPS))))
        drawn.append(STEPS[step], style="red" if value >= truck.limit_c else "green")
    return drawn


def _look_at(facts: Facts, now_ms: int, units: Units) -> RenderableType:
    """Say in plain words what is going on, most urgent first, and what is to come."""
    active = [alarm for alarm in facts.alarms if alarm.active and not alarm.withdrawn]
    active.sort(key=lambda alarm: (-alarm.priority, alarm.onset_ms))
    lines = [_told_plainly(alarm, units) for alarm in active[:MOST_LOOKED_AT]] or [Text(QUIET)]
    ahead = [event for event in EVENTS if START_MS + 1000 * event.since_s > now_ms]
    if ahead:
        soon = min(ahead, key=lambda event: event.since_s)
        when = clock(START_MS + round(1000 * soon.since_s))
        lines.append(Text(f"To come at {when}: {soon.vehicle}, {soon.what}", style="dim"))
    return Group(*lines)


def _told_plainly(alarm: Alarm, units: Units) -> Text:
    said = explain(alarm.kind, alarm.vehicle, alarm.evidence, words=WORDS, units=units)
    doubts = f" {said.doubts}" if alarm.kind == "over_temperature" else ""
    return Text.assemble(
        (f"{alarm.vehicle} ", "bold"),
        (f"{said.title}. ", STYLES[alarm.priority]),
        said.observed,
        (doubts, "italic"),
    )


def _notices(told: Sequence[Told]) -> RenderableType:
    if not told:
        return Text("Nobody yet.", style="dim")
    return Text("\n").join(Text(told_line(one)) for one in told[-MOST_TOLD:])


def told_line(one: Told) -> str:
    """Write one notice in a line."""
    matter = {
        "active": "raised",
        "rise": "more urgent",
        "normal": "back to normal",
        "withdrawn": "withdrawn",
    }[one.matter]
    kind = one.kind.replace("_", " ")
    return f"{clock(one.time_ms)}  {one.vehicle:6} {kind:20} {matter} (by {one.channel})"


def summary(facts: Facts, units: Units) -> RenderableType:
    """Lay out what happened: every truck, every alarm."""
    trucks = Table(title="Every truck", title_justify="left")
    for heading in ("Truck", "What it does", "Hottest", "Life used", "Distance", "Samples"):
        trucks.add_column(heading)
    for truck in facts.trucks:
        trucks.add_row(
            truck.vehicle,
            truck.title,
            units.degrees(truck.account.hottest_c),
            f"{truck.account.life_used:.2%}",
            units.length(truck.account.distance_km),
            f"{truck.account.samples:,}",
        )
    listed = Table(title="Every alarm", title_justify="left")
    for heading in ("Since", "Truck", "Alarm", "Priority", "How sure", "Now"):
        listed.add_column(heading)
    for alarm in sorted(facts.alarms, key=lambda one: (one.onset_ms, one.vehicle, one.kind)):
        listed.add_row(
            clock(alarm.onset_ms),
            alarm.vehicle,
            alarm.kind.replace("_", " "),
            alarm.priority.name.lower(),
            f"{alarm.probability:.1%}",
            alarm_state(alarm),
        )
    return Group(trucks, listed)


def alarm_state(alarm: Alarm) -> str:
    """Say how an alarm stands."""
    if alarm.withdrawn:
        return f"withdrawn ({alarm.remark})" if alarm.remark else "withdrawn"
    if alarm.active:
        return "active"
    over = "" if alarm.cleared_ms is None else f" since {clock(alarm.cleared_ms)}"
    return f"normal{over}" + (f" ({alarm.remark})" if alarm.remark else "")


def clock(time_ms: int) -> str:
    """Write a time of day."""
    return f"{datetime.fromtimestamp(time_ms / 1000, UTC):%H:%M:%S}"


def _number(value: float, write: Callable[[float], str]) -> str:
    return "–" if math.isnan(value) else write(value)
