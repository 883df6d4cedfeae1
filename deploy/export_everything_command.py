"""``heatbook export``: everything that the store holds, for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from deploy import private
from deploy.database import Beside, read_only
from deploy.desk import desk_of
from deploy.options import Config
from deploy.printing import say


def export_everything_command(
    folder: Annotated[Path, typer.Argument(help="A folder that is not there yet, or empty.")],
    config: Config = None,
) -> None:
    """Write everything in open formats: samples as Parquet, all else as CSV, with a README of the columns."""
    from deploy.export.everything import export  # noqa: PLC0415 - slow, and rarely needed

    desk = desk_of(config)
    with read_only(desk.store):
        pass  # says so when there is none
    max_gap_ms = round(desk.settings.models.max_gap_s * 1000.0)
    with private.alone():
        rows = export(Beside(desk.store), desk.reader, folder, max_gap_ms=max_gap_ms)
    say(
        f"{len(rows)} files with {sum(rows.values())} rows in {folder}; its README.md says what is what."
    )
