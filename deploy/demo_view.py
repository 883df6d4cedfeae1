"""The demo's picture in the terminal, and its summary."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO

from rich.box import ROUNDED, SIMPLE_HEAD
from rich.console import Console, Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from alerts.ledger import Alarm
from alerts.phrases import sureness
from alerts.wording import explain
from deploy.demo_facts import Facts, Told, TruckFacts
from models.due import Due
from models.statement import Statement
from models.transition import Priority
from models.units import Units
from review.circuit_standing import circuit_brief
from review.kinds import WORDS
from simulator.northfold import EVENTS, START_MS

STEPS = "▁▂▃▄▅▆▇█"
COLDEST_C, HOTTEST_C = 40.0, 150.0
NARROW = 110
MOST_TOLD = 5
MOST_LOOKED_AT = 4
STYLES = {
    Priority.LOW: "cyan",
    Priority.MEDIUM: "yellow",
    Priority.HIGH: "dark_orange",
    Priority.CRITICAL: "bold red",
}
QUIET = "All is well so far: wait for the next truck to get into trouble."


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How much there is room for."""

    columns: int
    lines: int

    @property
    def narrow(self) -> bool:
        """Whether the table must do with less."""
        return self.columns < NARROW

    @property
    def looked_at(self) -> int:
        """How many alarms can be told in full above the table."""
        return max(1, min(MOST_LOOKED_AT, (self.lines - 19) // (5 if self.narrow else 3)))

    @property
    def told(self) -> int:
        """How many notices can be listed below it."""
        return max(0, min(MOST_TOLD, self.lines - 22 - 3 * self.looked_at))


PICTURE = Room(columns=132, lines=40)
"""The room of a picture in a file."""


def picture(
    facts: Facts, *, now_ms: int, speed: float, units: Units, room: Room, console: str = ""
) -> RenderableType:
    """Lay out the live view: what needs a look first, then every truck.

    ``console``: where the console is, if anywhere.
    """
    who = "" if room.narrow else "  Northfold Towing & Haulage (an invented fleet)"
    pace = "" if room.narrow else f"   one second here is {speed / 60:.3g} minutes there"
    head = Text.assemble(
        ("Heatbook", "bold"),
        who,
        (f"   {clock(now_ms)} UTC", "bold"),
        f"{pace}   {facts.messages:,} messages",
    )
    parts: list[RenderableType] = [
        head,
        *([Text.assemble(("Console  ", "bold"), console)] if console else []),
        Panel(_look_at(facts, now_ms, units, room), title="Look at", title_align="left"),
        _fleet(facts, now_ms, units, room),
    ]
    if room.told:
        told = _notices(facts.told[-room.told :])
        parts.append(Panel(told, title="People were told", title_align="left"))
    return Group(*parts)


def drawn(view: RenderableType) -> str:
    """Give a view as an SVG picture that needs nothing from elsewhere."""
    console = Console(record=True, width=PICTURE.columns, file=StringIO(), force_terminal=True)
    console.print(view)
    svg = console.export_svg(title="heatbook demo")
    # Fonts from the network, the library's own remark, and the buttons of a drawn window.
    unwanted = r'@font-face \{.*?\}|<!-- .*? -->|<g transform="translate\(26,22\)">.*?</g>'
    return re.sub(unwanted, "", svg, flags=re.DOTALL)


def _fleet(facts: Facts, now_ms: int, units: Units, room: Room) -> Table:
    table = Table(expand=True, pad_edge=False, box=SIMPLE_HEAD if room.narrow else ROUNDED)
    table.add_column("Truck", no_wrap=True)
    table.add_column("Fluid", justify="right", no_wrap=True)
    table.add_column("last hour" if room.narrow else "the hour before now", no_wrap=True)
    table.add_column("Load", justify="right", no_wrap=True)
    if not room.narrow:
        table.add_column("Speed", justify="right", no_wrap=True)
    table.add_column("Life used", justify="right", no_wrap=True)
    table.add_column("Alarms", ratio=1, no_wrap=True, overflow="ellipsis")
    for truck in facts.trucks:
        mine = [
            alarm
            for alarm in facts.alarms
            if alarm.vehicle == truck.vehicle and alarm.active and not alarm.withdrawn
        ]
        table.add_row(*_row(truck, mine, now_ms, units, room))
    return table


def _row(
    truck: TruckFacts, standing: Sequence[Alarm], now_ms: int, units: Units, room: Room
) -> list[RenderableType]:
    hot = truck.fluid_c >= truck.limit_c
    stale = now_ms - truck.last_ms > 10 * 60_000
    words = Text("; ").join(
        Text(alarm.kind.replace("_", " "), style=STYLES[alarm.priority]) for alarm in standing
    )
    if not standing and stale:
        words = Text("quiet since it moved" if truck.moving else "parked", style="dim")
    elif not standing:
        words = Text(circuit_brief(truck.circuit, truck.last_ms, units), style="dim")
    speed = (
        [] if room.narrow else [_number(truck.speed_km_h, lambda value: f"{value:.0f} km/h")]
    )
    return [
        Text(truck.vehicle, style="dim" if stale else "bold"),
        Text(_number(truck.fluid_c, units.degrees), style="bold red" if hot else ""),
        trace(truck, every=2 if room.narrow else 1),
        _number(truck.load_pct, lambda value: f"{value:.0f} %"),
        *speed,
        f"{truck.account.life_used:.2%}",
        words,
    ]


def trace(truck: TruckFacts, *, every: int) -> Text:
    """Draw the temperature of the last hour; red above the truck's limit, a dot where unseen.

    ``every``: so many spans of time share a column, which shows the hottest of them.
    """
    drawn = Text()
    for start in range(0, len(truck.trace_c), every):
        known = [
            value for value in truck.trace_c[start : start + every] if not math.isnan(value)
        ]
        if not known:
            drawn.append("·", style="dim")
            continue
        value = max(known)
        share = (value - COLDEST_C) / (HOTTEST_C - COLDEST_C)
        step = min(len(STEPS) - 1, max(0, int(share * len(STEPS))))
        drawn.append(STEPS[step], style="red" if value >= truck.limit_c else "green")
    return drawn


def _look_at(facts: Facts, now_ms: int, units: Units, room: Room) -> RenderableType:
    """Say in plain words what is going on, most urgent first, and what is to come."""
    active = [alarm for alarm in facts.alarms if alarm.active and not alarm.withdrawn]
    active.sort(key=lambda alarm: (-alarm.priority, alarm.onset_ms))
    lines = [_told_plainly(alarm, units) for alarm in active[: room.looked_at]] or [Text(QUIET)]
    ahead = [event for event in EVENTS if START_MS + 1000 * event.since_s > now_ms]
    if ahead:
        soon = min(ahead, key=lambda event: event.since_s)
        when = clock(START_MS + round(1000 * soon.since_s))
        lines.append(Text(f"To come at {when}: {soon.vehicle}, {soon.what}", style="dim"))
    return Group(*lines)


def _told_plainly(alarm: Alarm, units: Units) -> Text:
    said = explain(alarm.kind, alarm.vehicle, alarm.evidence, words=WORDS, units=units)
    doubts = said.rivals or (said.doubts if alarm.kind == "over_temperature" else "")
    return Text.assemble(
        (f"{alarm.vehicle} ", "bold"),
        (f"{said.title}. ", STYLES[alarm.priority]),
        said.observed,
        (f" {doubts}" if doubts else "", "italic"),
    )


def _notices(told: Sequence[Told]) -> RenderableType:
    if not told:
        return Text("Nobody yet.", style="dim")
    return Text("\n").join(Text(told_line(one)) for one in told)


def told_line(one: Told) -> str:
    """Write one notice in a line."""
    matter = {
        "active": "raised",
        "rise": "more urgent",
        "normal": "back to normal",
        "withdrawn": "withdrawn",
        "date_moved": "new date",
        "no_data": "date not followed: no data",
        "reminder": "nobody has acknowledged",
        "chatter": "comes and goes",
    }[one.matter]
    kind = one.kind.replace("_", " ")
    return f"{clock(one.time_ms)}  {one.vehicle:6} {kind:20} {matter} (by {one.channel})"


def summary(facts: Facts, units: Units) -> RenderableType:
    """Lay out what happened: every truck, every alarm."""
    trucks = Table(title="Every truck", title_justify="left")
    for heading in ("Truck", "What it does", "Hottest", "Life used (8 in 10)", "Next service"):
        trucks.add_column(heading)
    for truck in facts.trucks:
        trucks.add_row(
            truck.vehicle,
            truck.title,
            units.degrees(truck.account.hottest_c),
            life(truck.account),
            next_service(truck.due, units),
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
            sureness(alarm.kind, alarm.probability),
            alarm_state(alarm),
        )
    return Group(trucks, listed)


def life(account: Statement) -> str:
    """Write how much of the fluid's life is used, with the 80 % band."""
    return f"{account.life_used:.0%} ({account.life_low:.0%} to {account.life_high:.0%})"


def next_service(due: Due, units: Units) -> str:
    """Write when the next service is due, and by what."""
    if due.overdue:
        return f"due, by {due.reason}"
    if due.median_ms is None:
        return "not within five years"
    return f"{units.day(due.median_ms)}, by {due.reason}"


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
