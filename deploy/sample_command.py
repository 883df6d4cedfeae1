"""``heatbook fleet sample``: enter what a laboratory found, and say what it says of the account."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from deploy import record_options as options
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.entering import enter_one, look
from deploy.options import Config
from deploy.printing import say
from ingest.record import Entry
from models.cautions import SAMPLING_CAUTIONS
from models.course import settle
from models.lab import LabUpdate, lab_update
from models.lab_words import said, warnings
from models.layout import record
from models.service import ENTRY
from models.words import SAMPLING
from review.past import state_at
from review.pictures.file_names import drawable
from review.problems import Mistake
from review.service_record import LabFindings, add_sample
from review.trucks import as_row

app = typer.Typer(rich_markup_mode=None)

_AcidNumber = Annotated[float | None, typer.Option(help="Acid number, D664 [mg KOH/g].")]
_Viscosity = Annotated[
    float | None, typer.Option(help="Kinematic viscosity at 40 or 100 °C [mm²/s].")
]


@app.command("sample")
def sample_command(
    truck: options.Truck,
    antioxidant: Annotated[
        str | None, typer.Option(help="Antioxidant left of new fluid's: 0.55 or 55%.")
    ] = None,
    antioxidant_sd: Annotated[
        str | None, typer.Option(help="Its error, one standard deviation. Default: 0.06.")
    ] = None,
    acid: _AcidNumber = None,
    acid_new: Annotated[
        float | None, typer.Option(help="The same of new fluid [mg KOH/g].")
    ] = None,
    acid_limit: Annotated[
        float | None, typer.Option(help="Rise that condemns [mg KOH/g]. Default: 3.")
    ] = None,
    oxidation: Annotated[
        str | None, typer.Option(help="Infrared oxidation as a share of its limit.")
    ] = None,
    viscosity: _Viscosity = None,
    viscosity_new: Annotated[
        float | None, typer.Option(help="New fluid's at the same temperature [mm²/s].")
    ] = None,
    water: Annotated[str | None, typer.Option(help="Water: 0.1% or 0.001.")] = None,
    glycol: Annotated[bool, typer.Option("--glycol", help="Glycol was found.")] = False,
    spread: Annotated[
        str | None,
        typer.Option("--sd", help="Error of acid, oxidation, viscosity as a share of a life."),
    ] = None,
    how: Annotated[
        bool, typer.Option("--how", help="Say how a sample is taken; enter nothing.")
    ] = False,
    picture: options.Picture = None,
    laboratory: Annotated[str | None, typer.Option(help="Which laboratory.")] = None,
    number: Annotated[str | None, typer.Option(help="Its number of the sample.")] = None,
    at: options.At = None,
    odometer: options.Odometer = None,
    note: options.Note = "",
    who: options.Who = None,
    config: Config = None,
) -> None:
    """Enter a laboratory's findings; --at is when the sample was taken."""
    if how:
        for line in (SAMPLING, *SAMPLING_CAUTIONS):
            say(line)
        return
    desk = desk_of(config, who)
    drawable(picture)
    findings = LabFindings(
        antioxidant=desk.share(antioxidant),
        antioxidant_sd=desk.share(antioxidant_sd),
        acid_mg_g=acid,
        acid_new_mg_g=acid_new,
        acid_limit_mg_g=acid_limit,
        oxidation=desk.share(oxidation),
        viscosity_mm2_s=viscosity,
        viscosity_new_mm2_s=viscosity_new,
        water_share=desk.share(water),
        glycol=glycol,
        lab_sd=desk.share(spread),
    )
    if not findings.numbers():
        raise Mistake(
            "say what the laboratory found: --antioxidant, --acid with --acid-new, --oxidation, "
            "--viscosity with --viscosity-new, --water or --glycol; --how says how a sample is taken"
        )
    at_ms, odometer_km = desk.moment(at), desk.distance(odometer)
    enter_one(
        desk,
        truck,
        lambda book: add_sample(
            book,
            truck,
            at_ms,
            findings,
            laboratory=laboratory,
            number=number,
            odometer_km=odometer_km,
            note=note,
        ),
        more=lambda entry: _say_findings(desk, entry, picture),
    )


def update_of(desk: Desk, entry: Entry) -> LabUpdate | None:
    """Weigh a sample with the account as it was when it was taken; None where there is none."""
    stored = look(desk, entry.vehicle)
    if stored is None or stored.held is None or entry not in stored.entries:
        return None
    before = stored.entries[: stored.entries.index(entry)]
    course = desk.reader.courses(entry.vehicle, before)
    with read_only(desk.store) as conn:
        state = state_at(conn, stored.held, entry.time_ms)
    # What else was entered for the very same time, and earlier.
    state = settle(course, state, entry.time_ms)
    written = record(stored.held.course.entries, len(course.entries))
    return lab_update(course.now(state).account, record(state).truck.account, written)


def _say_findings(desk: Desk, entry: Entry, picture: Path | None) -> None:
    update = update_of(desk, entry)
    if update is not None:
        say(f"Weighed with the account as it was on {desk.units.day(entry.time_ms)}:")
        for line in said(update):
            say(line)
    written = record(np.array([as_row(entry, 0)], ENTRY))
    for line in warnings(
        written,
        water_share=entry.numbers.get("water_share", math.nan),
        glycol=entry.numbers.get("glycol") == 1.0,
    ):
        say(line, style="bold")
    if picture is not None and update is not None:
        # Only who asks for a picture waits for the library that draws it.
        from deploy.account_drawing import draw_sample  # noqa: PLC0415

        draw_sample(entry.vehicle, update, picture)
