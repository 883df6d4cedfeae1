"""The past that the demo's fleet has behind it: two invented years, made once and kept, or none."""

from __future__ import annotations

from contextlib import closing
from functools import partial
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

from deploy import logs
from deploy.database import Database
from deploy.demo_settings import FLEET, MAX_GAP_S, SILENT_AFTER_S, STORE
from deploy.fleet import load_fleet
from deploy.past_cache import copy_of_past
from deploy.two_years import Past, take_in
from review.trucks import courses_of
from simulator.northfold import fleet_file
from simulator.years.northfold import years_file


def begin(folder: Path, console: Console, *, history: bool) -> None:
    """Write the fleet file, and put the two years into the store if they are wanted."""
    file = folder / FLEET
    if not history:
        file.write_text(fleet_file(), encoding="utf-8")
        return
    file.write_text(years_file(), encoding="utf-8")
    console.print("Two invented years of the fleet (made once, then kept) …")
    copy_of_past(folder, partial(_make, file, console))


def _make(file: Path, console: Console, folder: Path) -> None:
    logs.set_up("error")  # two years of a fleet's log would bury what the demo says
    fleet = load_fleet(file)
    past = Past(
        fleet=fleet,
        courses=courses_of(fleet, max_gap_s=MAX_GAP_S, silent_after_s=SILENT_AFTER_S),
        max_gap_ms=round(1000 * MAX_GAP_S),
    )
    columns = (TextColumn("  {task.description}"), BarColumn(), TaskProgressColumn())
    with (
        closing(Database(folder / STORE, synchronous="off")) as database,
        Progress(*columns, console=console, transient=True) as bar,
    ):
        task = bar.add_task("driving", total=1.0)
        take_in(
            database,
            past,
            lambda what, share: bar.update(task, description=what, completed=share),
        )
