"""The commands. Each opens what it needs, calls one function, and says plainly what went wrong."""

from __future__ import annotations

import os
import sqlite3
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from deploy import (
    account_commands,
    alarm_commands,
    archive_commands,
    backup_commands,
    fleet_commands,
    influx_commands,
    logs,
    notice_commands,
    people_commands,
    quarantine_commands,
    report_commands,
)
from deploy.around import around_of
from deploy.backup.manifest import BackupError
from deploy.broker import Kind
from deploy.check import check
from deploy.clock import wall_ms
from deploy.courses import courses_by
from deploy.database import StoreError, store_failed
from deploy.demo import DemoOptions, run_demo
from deploy.erase_command import erase_command
from deploy.export_everything_command import export_everything_command
from deploy.fleet import fleet_of, load_fleet
from deploy.hindsight_command import hindsight_command
from deploy.options import Config, FleetFile, fail, moment_of
from deploy.people_file import plan_of
from deploy.replay import (
    Reader,
    ReplaySettings,
    Result,
    UnreadableCapture,
    replay,
)
from deploy.replay_json import json_lines
from deploy.replay_table import table_of
from deploy.review_command import review_command
from deploy.settings import load_settings
from deploy.simulate_command import simulate_command
from deploy.what_if_command import what_if_command
from ingest.archive import ArchiveError
from ingest.entry_fields import RecordError
from review.model_version import model_version
from review.problems import BadSettings, Mistake
from review.store import Clock

EXIT_BAD_SETTINGS = 78
EXIT_UNREADABLE = 2
EXIT_CUT_SHORT = 1

app = typer.Typer(
    name="heatbook",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Keeps the heat account of every transmission fluid fill, and says when cooling fails.",
)
app.add_typer(account_commands.app, name="accounts")
app.add_typer(alarm_commands.app, name="alarms")
app.add_typer(backup_commands.app, name="backup")
app.add_typer(fleet_commands.app, name="fleet")
app.add_typer(archive_commands.app, name="history")
app.add_typer(notice_commands.app, name="notices")
app.add_typer(people_commands.app, name="people")
app.add_typer(quarantine_commands.app, name="quarantine")
app.add_typer(report_commands.app, name="reports")
app.add_typer(influx_commands.app, name="influx")


def main() -> None:
    """Run the command line."""
    try:
        app()
    except BadSettings as error:
        fail("\n".join(map(str, error.problems)), EXIT_BAD_SETTINGS)
    except Mistake as error:
        fail(str(error), error.exit_code)
    except RecordError as error:
        fail(str(error), 1)
    except (StoreError, ArchiveError, BackupError) as error:
        fail(str(error), 1)
    except sqlite3.DatabaseError as error:
        if not store_failed(error):
            raise
        fail(f"the store cannot be used: {error}; 'heatbook check' looks at it", 1)


@app.command("demo")
def demo_command(
    for_seconds: Annotated[
        float | None, typer.Option("--for", help="End by itself after so many seconds.")
    ] = None,
    broker: Annotated[
        Kind | None, typer.Option(help="Default: mosquitto where it is installed.")
    ] = None,
    speed: Annotated[
        float, typer.Option(min=0.1, help="Simulated seconds per second.")
    ] = 240.0,
    folder: Annotated[
        Path | None,
        typer.Option(help="Keep the demo's files here instead of a temporary folder."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Save the last view as a picture (SVG).")
    ] = None,
    history: Annotated[
        bool,
        typer.Option(
            "--history/--no-history",
            help="With two invented years behind the fleet: made once, then kept for later demos.",
        ),
    ] = True,
    open_browser: Annotated[
        bool, typer.Option("--open", help="Open the console in the desktop's browser.")
    ] = False,
) -> None:
    """Show the main job: a broker, a simulated fleet, the daemon, and what it finds."""
    options = DemoOptions(
        for_seconds=for_seconds,
        broker=broker,
        speed=speed,
        folder=folder,
        picture=picture,
        history=history,
        open_browser=open_browser,
    )
    raise typer.Exit(run_demo(options))


@app.command("serve")
def serve_command(
    config: Config = None,
    stop_at_end_of_input: Annotated[
        bool, typer.Option(help="Stop when standard input closes.")
    ] = False,
) -> None:
    """Run the daemon: take messages from the broker, keep the accounts, send the alarms."""
    # Only the daemon waits for the web server, the calendar and what draws its pictures.
    from deploy.serve import serve  # noqa: PLC0415

    logs.set_up()
    loaded = load_settings(config=config, env=os.environ)
    logs.set_up(loaded.settings.log.level, loaded.settings.log.form)
    code = serve(
        loaded.settings,
        fleet_of(loaded),
        plan_of(loaded),
        around_of(loaded),
        stop_at_end_of_input=stop_at_end_of_input,
    )
    raise typer.Exit(code)


@app.command("check")
def check_command(
    config: Config = None,
    broker: Annotated[bool, typer.Option(help="Also try the broker out.")] = True,
    notice: Annotated[
        bool,
        typer.Option(
            "--notice",
            help="Also send a test notice by every channel, and to everybody in the people file.",
        ),
    ] = False,
    settings: Annotated[
        bool, typer.Option("--settings", help="Also print the settings that count.")
    ] = False,
) -> None:
    """Say what is wrong with settings, fleet file, store and broker, and how to mend it."""
    code = check(
        config,
        env=os.environ,
        try_broker=broker,
        send_notice=notice,
        show_settings=settings,
    )
    raise typer.Exit(code)


app.command("simulate")(simulate_command)
app.command("what-if")(what_if_command)
app.command("hindsight")(hindsight_command)
app.command("review")(review_command)
app.command("erase")(erase_command)
app.command("export")(export_everything_command)
app.command("restore")(backup_commands.restore_command)


@app.command("replay")
def replay_command(
    capture: Annotated[Path, typer.Argument(help="Capture: JSON lines, plain or gzip.")],
    config: Config = None,
    fleet: FleetFile = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="JSON lines on standard output, nothing else.")
    ] = False,
    as_of: Annotated[
        str | None,
        typer.Option(help="The time to take it in at, RFC 3339. Default: now."),
    ] = None,
) -> None:
    """Take in a capture as the daemon would, and print its alarms and accounts."""
    logs.set_up("error")
    loaded = load_settings(config=config, env=os.environ)
    trucks = load_fleet(fleet) if fleet is not None else fleet_of(loaded)
    settings = loaded.settings
    try:
        result = _replay(
            capture,
            ReplaySettings(
                courses=courses_by(settings, trucks),
                wire=settings.wire.rules(),
                registered=frozenset(trucks.vehicles),
                refuse_unregistered=settings.wire.unregistered == "refuse",
                model_version=model_version(),
                silent_after_s=settings.models.silent_after_s,
                now_ms=wall_ms if as_of is None else _fixed(moment_of("--as-of", as_of)),
            ),
        )
    except UnreadableCapture as error:
        fail(f"cannot replay {capture}: {error}", EXIT_UNREADABLE)
    if as_json:
        for entry in json_lines(result):
            sys.stdout.buffer.write(entry)
        sys.stdout.buffer.flush()
    else:
        Console().print(
            table_of(
                result, settings.fleet.units.units(settings.fleet.zone), settings.fleet.zone
            )
        )
    if result.future:
        typer.echo(
            f"{result.future} samples lie in the future and were refused; --as-of names the "
            "time that the capture is to be taken in at",
            err=True,
        )
    if result.refused_lines:
        typer.echo(
            f"{result.refused_lines} lines are no capture lines and were passed over", err=True
        )
    if result.cut_short is not None:
        fail(
            f"{capture} ends early ({result.cut_short}); the above is what it held",
            EXIT_CUT_SHORT,
        )


def _replay(capture: Path, settings: ReplaySettings) -> Result:
    reader = Reader(capture)
    try:
        with Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
            disable=not sys.stderr.isatty(),
        ) as progress:
            task = progress.add_task(capture.name, total=reader.size)
            return replay(
                reader, settings, lambda position: progress.update(task, completed=position)
            )
    finally:
        reader.close()


def _fixed(time_ms: int) -> Clock:
    return lambda: time_ms
