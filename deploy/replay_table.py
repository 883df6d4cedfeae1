"""The result of a replay for a person: a table of trucks and a list of alarms."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from rich.console import Group, RenderableType
from rich.table import Table

from alerts.phrases import sureness
from deploy.replay import Result, TruckResult
from models.transition import Transition
from models.units import Units


def table_of(result: Result, units: Units, zone: tzinfo) -> RenderableType:
    """Lay out a result."""
    trucks = Table(title="Accounts", title_justify="left")
    for heading in (
        "Truck",
        "Life used",
        "Mean kinetic",
        "Hottest",
        "Distance",
        "of it unseen",
        "Samples",
        "Refused",
    ):
        trucks.add_column(heading, justify="left" if heading == "Truck" else "right")
    for truck in result.trucks:
        trucks.add_row(*_truck(truck, units))
    alarms = Table(title="Alarms", title_justify="left")
    for heading in ("When", "Truck", "What", "State", "Priority", "How sure"):
        alarms.add_column(heading)
    for transition in result.transitions:
        alarms.add_row(*_alarm(transition, zone))
    return Group(trucks, alarms)


def _truck(truck: TruckResult, units: Units) -> tuple[str, ...]:
    account = truck.account
    seen = account.seen_hours > 0.0
    return (
        truck.vehicle,
        f"{account.life_used:.2%}",
        units.degrees(account.mean_kinetic_temp_c) if seen else "–",
        units.degrees(account.hottest_c) if seen else "–",
        units.length(account.distance_km),
        units.length(account.unseen_km),
        f"{account.samples:,}",
        f"{truck.quarantined:,}",
    )


def _alarm(transition: Transition, zone: tzinfo) -> tuple[str, ...]:
    when = datetime.fromtimestamp(transition.time_ms / 1000, UTC).astimezone(zone)
    return (
        f"{when:%Y-%m-%d %H:%M:%S %Z}",
        transition.vehicle,
        transition.kind.replace("_", " "),
        "active" if transition.active else "normal",
        transition.priority.name.lower(),
        sureness(transition.kind, transition.probability) if transition.active else "–",
    )
