"""``heatbook fleet``: the commands that write services of a truck's fluid in its record."""

from __future__ import annotations

from typing import Annotated

import typer

from deploy import record_options as options
from deploy.desk import desk_of
from deploy.entering import enter_one
from deploy.options import Config
from deploy.pan_drop_preview import preview
from review import measures
from review.problems import Mistake
from review.service_record import (
    change_filter,
    drop_pan,
    exchange_fluid,
    install_fill,
    top_up,
)

app = typer.Typer(rich_markup_mode=None)


@app.command("install")
def install_command(
    truck: options.Truck,
    fluid: options.FluidName = None,
    life_used: options.LifeUsed = None,
    filter_changed: options.Filter = False,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Say when the present fill went in, at how many km, and what it had used by then."""
    desk = desk_of(config, who)
    at_ms, odometer_km = desk.moment(at), desk.distance(odometer)
    used = desk.share(life_used)
    enter_one(
        desk,
        truck,
        lambda book: install_fill(
            book,
            truck,
            at_ms,
            fluid=fluid,
            life_used=used,
            odometer_km=odometer_km,
            filter_changed=filter_changed,
            note=note,
        ),
    )


@app.command("exchange")
def exchange_command(
    truck: options.Truck,
    volume: options.Volume = None,
    filter_changed: options.Filter = False,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a full exchange of the fluid for new of the same kind."""
    desk = desk_of(config, who)
    at_ms, new_l = desk.moment(at), desk.volume(volume)
    odometer_km = desk.distance(odometer)
    enter_one(
        desk,
        truck,
        lambda book: exchange_fluid(
            book,
            truck,
            at_ms,
            volume_l=new_l,
            odometer_km=odometer_km,
            filter_changed=filter_changed,
            note=note,
        ),
    )


@app.command("pan-drop")
def pan_drop_command(
    truck: options.Truck,
    volume: options.Volume = None,
    filter_changed: options.Filter = False,
    show_preview: Annotated[
        bool,
        typer.Option("--preview", help="Show what one, two, three would do; enter nothing."),
    ] = False,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a pan drop: part of the fluid drained and replaced."""
    desk = desk_of(config, who)
    new_l = desk.volume(volume)
    if show_preview:
        if at is not None:
            raise Mistake("--preview shows what pan drops would do now; leave out --at")
        preview(desk, truck, new_l)
        return
    at_ms, odometer_km = desk.moment(at), desk.distance(odometer)
    enter_one(
        desk,
        truck,
        lambda book: drop_pan(
            book,
            truck,
            at_ms,
            volume_l=new_l,
            odometer_km=odometer_km,
            filter_changed=filter_changed,
            note=note,
        ),
    )


@app.command("filter")
def filter_command(
    truck: options.Truck,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a change of the filter alone."""
    desk = desk_of(config, who)
    at_ms, odometer_km = desk.moment(at), desk.distance(odometer)
    enter_one(
        desk,
        truck,
        lambda book: change_filter(book, truck, at_ms, odometer_km=odometer_km, note=note),
    )


@app.command("top-up")
def top_up_command(
    truck: options.Truck,
    volume: Annotated[str, typer.Option(help="New fluid: 0.5L, 1qt, or bare.")],
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter new fluid for what was lost."""
    desk = desk_of(config, who)
    at_ms, odometer_km = desk.moment(at), desk.distance(odometer)
    new_l = measures.volume_l(volume, desk.units)
    enter_one(
        desk,
        truck,
        lambda book: top_up(
            book, truck, at_ms, volume_l=new_l, odometer_km=odometer_km, note=note
        ),
    )
