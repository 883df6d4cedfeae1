"""``heatbook fleet``: the commands that write in the record what a truck is, and what becomes another."""

from __future__ import annotations

from typing import Annotated

import typer

from deploy import record_options as options
from deploy.desk import Desk, desk_of
from deploy.entering import enter_one
from deploy.options import Config
from review.problems import Mistake
from review.record_book import given
from review.service_record import (
    change_circuit,
    change_fluid,
    register_truck,
    replace_gearbox,
)

app = typer.Typer(rich_markup_mode=None)


@app.command("register")
def register_command(
    truck: options.Truck,
    title: Annotated[str | None, typer.Option("--name", help="What people call it.")] = None,
    fluid: options.FluidName = None,
    total: options.Total = None,
    circuit: options.CircuitName = None,
    cooler: options.CoolerName = None,
    thermal_class: options.ClassName = None,
    sensor: options.SensorName = None,
    opens_at: options.OpenAt = None,
    full_at: options.FullAt = None,
    coolant_valve: options.CoolantValve = None,
    air_cooler: options.AirCooler = None,
    rated_torque: Annotated[
        float | None, typer.Option(help="Engine torque at 100 % load [N·m].")
    ] = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Register a truck that the fleet file does not name; the defaults are the file's."""
    desk = desk_of(config, who)
    words = _words(
        title=title,
        fluid=fluid,
        circuit=circuit,
        cooler=cooler,
        sensor=sensor,
        thermal_class=thermal_class,
    )
    numbers = {
        **_valve(desk, total, opens_at, full_at),
        **_fittings(coolant_valve=coolant_valve, air_cooler=air_cooler),
        **given({"rated_torque_nm": rated_torque}),
    }
    enter_one(
        desk,
        truck,
        lambda book: register_truck(book, truck, words=words, numbers=numbers, note=note),
        first=True,
    )


@app.command("fluid")
def fluid_command(
    truck: options.Truck,
    fluid: Annotated[str, typer.Argument(help="The new fluid, by its name in the fleet file.")],
    volume: options.Volume = None,
    filter_changed: options.Filter = False,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a change to another kind of fluid."""
    desk = desk_of(config, who)
    at_ms, new_l = desk.moment(at), desk.volume(volume)
    odometer_km = desk.distance(odometer)
    enter_one(
        desk,
        truck,
        lambda book: change_fluid(
            book,
            truck,
            at_ms,
            fluid=fluid,
            volume_l=new_l,
            odometer_km=odometer_km,
            filter_changed=filter_changed,
            note=note,
        ),
    )


@app.command("gearbox")
def gearbox_command(
    truck: options.Truck,
    fluid: options.FluidName = None,
    life_used: options.LifeUsed = None,
    total: options.Total = None,
    thermal_class: options.ClassName = None,
    sensor: options.SensorName = None,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a replaced gearbox, with the fluid that is in it."""
    desk = desk_of(config, who)
    at_ms = desk.moment(at)
    words = _words(fluid=fluid, sensor=sensor, thermal_class=thermal_class)
    numbers = given(
        {
            "life_used": desk.share(life_used),
            "fluid_total_l": desk.volume(total),
            "odometer_km": desk.distance(odometer),
        }
    )
    enter_one(
        desk,
        truck,
        lambda book: replace_gearbox(
            book, truck, at_ms, words=words, numbers=numbers, note=note
        ),
    )


@app.command("circuit")
def circuit_command(
    truck: options.Truck,
    circuit: options.CircuitName = None,
    cooler: options.CoolerName = None,
    opens_at: options.OpenAt = None,
    full_at: options.FullAt = None,
    coolant_valve: options.CoolantValve = None,
    air_cooler: options.AirCooler = None,
    total: options.Total = None,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a change of the cooling: a cooler fitted, the bypass blocked, another valve."""
    desk = desk_of(config, who)
    at_ms = desk.moment(at)
    words = _words(circuit=circuit, cooler=cooler)
    numbers = _valve(desk, total, opens_at, full_at)
    numbers |= _fittings(coolant_valve=coolant_valve, air_cooler=air_cooler)
    if not words and not numbers and not note:
        raise Mistake(
            "say what has changed: --circuit, --cooler, --opens-at and --full-at, --coolant-valve, "
            "--air-cooler, or --total; of a part that was replaced by its like, say so with --note"
        )
    numbers |= given({"odometer_km": desk.distance(odometer)})
    enter_one(
        desk,
        truck,
        lambda book: change_circuit(
            book, truck, at_ms, words=words, numbers=numbers, note=note
        ),
    )


def _words(*, thermal_class: str | None = None, **words: str | None) -> dict[str, str]:
    return given({"class": thermal_class, **words})


def _valve(
    desk: Desk, total: str | None, opens_at: str | None, full_at: str | None
) -> dict[str, float]:
    return given(
        {
            "fluid_total_l": desk.volume(total),
            "thermostat_open_c": desk.temperature(opens_at),
            "thermostat_full_c": desk.temperature(full_at),
        }
    )


def _fittings(**fittings: bool | None) -> dict[str, float]:
    return {name: float(has) for name, has in given(fittings).items()}
