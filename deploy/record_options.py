"""The arguments and options of the commands that write in the service record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Truck = Annotated[str, typer.Argument(help="The truck, by its name in the topic.")]
At = Annotated[
    str | None,
    typer.Option(
        help="When: a date (its noon, fleet time) or a time like 2026-06-16T08:30. Default: now."
    ),
]
Odometer = Annotated[
    str | None, typer.Option(help="The counter then: 61310km, 38000mi, or bare.")
]
Volume = Annotated[str | None, typer.Option(help="New fluid: 4.5L, 5qt, or bare.")]
Filter = Annotated[bool, typer.Option("--filter", help="The filter was changed too.")]
LifeUsed = Annotated[
    str | None, typer.Option(help="What that fluid had used by then: 0.2 or 20%. Default: 0.")
]
Note = Annotated[str, typer.Option(help="Anything worth keeping.")]
Who = Annotated[str | None, typer.Option(help="Who says so. Default: your login name.")]
FluidName = Annotated[str | None, typer.Option("--fluid", help="A fluid of the fleet file.")]
Total = Annotated[
    str | None,
    typer.Option("--total", help="Fluid in gearbox, converter, lines and cooler: 12L, 13qt."),
]
OpenAt = Annotated[
    str | None, typer.Option("--opens-at", help="Where the valve begins to open: 82C.")
]
FullAt = Annotated[
    str | None, typer.Option("--full-at", help="Where the valve is fully open: 96C.")
]
CircuitName = Annotated[
    str | None,
    typer.Option(
        "--circuit",
        help="thermostatic_bypass, full_flow, coolant_exchanger or radiator_tank.",
    ),
]
CoolerName = Annotated[
    str | None, typer.Option("--cooler", help="stacked_plate or tube_and_fin.")
]
CoolantValve = Annotated[
    bool | None,
    typer.Option(
        "--coolant-valve/--no-coolant-valve",
        help="A valve in the coolant of a coolant_exchanger.",
    ),
]
AirCooler = Annotated[
    bool | None,
    typer.Option(
        "--air-cooler/--no-air-cooler", help="An air cooler that follows a radiator_tank."
    ),
]
ClassName = Annotated[str | None, typer.Option("--class", help="pickup, medium or heavy.")]
SensorName = Annotated[
    str | None, typer.Option("--sensor", help="sump, converter_out or cooler_line.")
]
EntryId = Annotated[
    int, typer.Argument(metavar="ENTRY", help="Its number, as 'history' lists it.")
]
Picture = Annotated[
    Path | None, typer.Option(help="Also draw it into this file, a .svg or .png.")
]
