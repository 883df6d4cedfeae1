"""``heatbook backup`` and ``heatbook restore``: whole copies, looked at, and put back."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import msgspec
import typer

from alerts.phrases import number_of, size_words
from deploy import private
from deploy.backup.make import Made, Maker
from deploy.backup.manifest import BackupError
from deploy.backup.restore import restore
from deploy.backup.rotation import Keep, backups_in, rotate
from deploy.backup.told import LastBackup, note_backup
from deploy.backup.verify import SAMPLE, Verdict, later, refuse, verify
from deploy.clock import clock_of, wall_ms
from deploy.courses import courses_by
from deploy.database import beside_daemon
from deploy.fleet import fleet_of
from deploy.influx_access import let_in
from deploy.options import Config
from deploy.printing import foreign, say, show, table, warn
from deploy.settings import Loaded, load_settings
from ingest.sealed import PARQUET
from models.units import rfc3339
from review import measures
from review.model_version import model_version

app = typer.Typer(
    rich_markup_mode=None,
    help="Copy the store, its archive and the settings' files, beside a running daemon or without one; "
    "'list' and 'verify' look at backups.",
)

Into = Annotated[
    Path | None, typer.Option(help="Folder for backups. Default: by [backup] folder.")
]
Backup = Annotated[
    Path, typer.Argument(help="Folder of one backup, as 'backup list' names it.")
]
All = Annotated[
    bool, typer.Option("--all", help=f"Run all trucks again, not only {SAMPLE} of them.")
]


@app.callback(invoke_without_command=True)
def backup_command(
    context: typer.Context,
    into: Into = None,
    keep: Annotated[
        int | None, typer.Option(min=1, help="So many backups of this store stay.")
    ] = None,
    keep_days: Annotated[
        float | None, typer.Option(min=1.0, help="Older ones go; the newest always stays.")
    ] = None,
    afresh: Annotated[
        bool,
        typer.Option("--afresh", help="Copy every month; share no file with earlier backups."),
    ] = False,
    beside_store: Annotated[
        bool,
        typer.Option("--beside-store", help="The folder may lie below the store's own."),
    ] = False,
    config: Config = None,
) -> None:
    """Make a backup now, and let those go that are more than are kept."""
    if context.invoked_subcommand is not None:
        return
    loaded = load_settings(config=config, env=os.environ)
    let_in(loaded.settings)
    folder = _folder(loaded, into)
    now_ms = clock_of(loaded.settings)
    began_ms = wall_ms()
    maker = Maker(
        loaded=loaded, into=folder, now_ms=now_ms, afresh=afresh, beside_store=beside_store
    )
    with private.alone():
        made = maker.make()
    _note(loaded, made, now_ms())
    say(_words(made, (wall_ms() - began_ms) / 1000))
    for line in made.manifest.left_out:
        say(f"Left out: {line}.")
    if made.folder.stat().st_dev == loaded.settings.store.path.stat().st_dev:
        warn("The backup lies on the same disk as the store: a disk that fails takes both.")
    rules = loaded.settings.backup.rules()
    if keep is not None or keep_days is not None:
        rules = Keep(number=keep, days=keep_days)
    for gone in rotate(folder, made.manifest.store, rules, now_ms()):
        say(f"Removed {gone.name}.")
    for problem in made.manifest.problems:
        warn(problem)
    raise typer.Exit(1 if made.manifest.problems else 0)


@app.command("list")
def list_command(
    into: Into = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines, one a backup.")] = False,
    config: Config = None,
) -> None:
    """List the backups in a folder, the newest first."""
    loaded = load_settings(config=config, env=os.environ)
    folder = _folder(loaded, into)
    found = backups_in(folder)
    if as_json:
        for path, told in found:
            line = {
                "folder": str(path),
                "as_of": told.as_of,
                "store": told.store,
                "heatbook": told.heatbook,
                "bytes": told.bytes,
                "problems": told.problems,
            }
            typer.echo(msgspec.json.encode(line).decode())
        return
    if not found:
        say(f"There is no backup in {folder}.")
        return
    say(f"In {folder}:")
    made = table("Folder", "Store", "Size", "Trucks", "Months", wide=("Store",))
    for path, told in found:
        made.add_row(
            foreign(path.name),
            told.store,
            size_words(told.bytes),
            str(told.counts.trucks),
            str(told.counts.months),
        )
    show(made)


@app.command("verify")
def verify_command(backup: Backup, every: All = False, config: Config = None) -> None:
    """Look at a backup: hashes, the store, each month, and accounts run again from the journal."""
    verdict = _verify(backup, load_settings(config=config, env=os.environ), every)
    for problem in verdict.problems:
        warn(problem)
    say(_verdict_words(verdict))
    raise typer.Exit(1 if verdict.problems else 0)


def restore_command(
    backup: Backup,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Put aside what stands there; it is kept beside it."),
    ] = False,
    sound_only: Annotated[
        bool,
        typer.Option(
            "--sound-only",
            help="Put back what is whole of a backup that has problems, and say what is left out.",
        ),
    ] = False,
    every: All = False,
    config: Config = None,
) -> None:
    """Put a backup back where the settings have the store; it is looked at before and after."""
    loaded = load_settings(config=config, env=os.environ)
    began_ms = wall_ms()
    verdict = _verify(backup, loaded, every)
    if (problem := later(verdict.manifest)) is not None:
        raise BackupError(f"{backup} cannot be put back: {problem}")
    refuse(backup, verdict, sound_only=sound_only)
    for problem in verdict.problems:
        warn(problem)
    say(_verdict_words(verdict))
    stamp = rfc3339(wall_ms()).replace(":", "-")
    with private.alone():
        done = restore(
            backup, loaded.settings, stamp=stamp, replace=replace, without=verdict.unsound
        )
    if done.settled is not None:
        say(f"Before that: {done.settled.words}.")
    for path in done.aside:
        say(f"What stood there is kept as {path}.")
    for line in _left_out(verdict, done.archive):
        say(line)
    if loaded.settings.archive.kind != PARQUET:
        say(
            f"The months of the archive are Parquet files in {done.archive} now: 'heatbook influx take-over' "
            "puts them into InfluxDB before the daemon is started."
        )
    as_of = measures.minute(verdict.manifest.as_of_ms, loaded.settings.fleet.zone)
    say(
        f"The store {done.store} is as it was at {as_of}, put back in {(wall_ms() - began_ms) / 1000:.1f} s. "
        "Start the daemon: it goes on from there. What gateways and broker still hold of the time since is "
        "taken in again, and the accounts come out the same; what they had let go of, because the "
        "store that is gone had confirmed it, is missing, and counted as missing where a gateway counts. "
        "Notices that went out since may go out once more."
    )
    say(
        f"Settings, fleet and people file of that time lie in {backup / 'settings'}; they are not put in "
        "their place, and secrets are not among them."
    )


def _folder(loaded: Loaded, into: Path | None) -> Path:
    folder = into or loaded.settings.backup.folder
    if folder is None:
        raise BackupError(
            "no folder for backups is named; say --into FOLDER, or set [backup] folder"
        )
    return folder


def _note(loaded: Loaded, made: Made, done_ms: int) -> None:
    with beside_daemon(loaded.settings.store.path) as tx:
        note_backup(
            tx,
            LastBackup(
                as_of_ms=made.manifest.as_of_ms,
                done_ms=done_ms,
                folder=str(made.folder.absolute()),
                bytes=made.manifest.bytes,
                months=made.manifest.counts.months,
            ),
        )


def _verify(backup: Path, loaded: Loaded, every: bool) -> Verdict:
    return verify(
        backup,
        courses=courses_by(loaded.settings, fleet_of(loaded)),
        models=model_version(),
        trucks=None if every else SAMPLE,
    )


def _words(made: Made, seconds: float) -> str:
    counts = made.manifest.counts
    return (
        f"{made.folder} is made in {seconds:.1f} s: {number_of(counts.trucks, 'truck')}, "
        f"{number_of(counts.months, 'month')} of the archive ({made.new_months:,} new), "
        f"{size_words(made.manifest.bytes)} in all, of which {size_words(made.new_bytes)} take room that "
        "no earlier backup takes."
    )


def _left_out(verdict: Verdict, archive: Path) -> Iterator[str]:
    """Say which months were not put back, and how they can be."""
    for month in verdict.lost:
        yield f"Left out: {month}."
    if verdict.lost:
        yield (
            "What needs the samples of those cannot be computed until they are there: copy their files from "
            f"another backup into {archive}, then 'heatbook history verify' looks at them."
        )
    for month in verdict.unsummed:
        yield f"Left out: the sums of {month}; its samples are there."
    if verdict.lost or verdict.unsummed:
        yield "'heatbook history verify --mend' makes missing sums anew from the samples."


def _verdict_words(verdict: Verdict) -> str:
    told = verdict.manifest
    words = [
        f"{number_of(len(told.parts), 'file')} of {told.as_of} looked at",
        f"{number_of(verdict.months, 'month')} compared",
        f"{number_of(verdict.run_again, 'truck')} run again"
        + (", each to the same account" if verdict.run_again and not verdict.problems else ""),
    ]
    if verdict.of_other_basis:
        words.append(
            f"{verdict.of_other_basis} not comparable (never heard, or computed with other settings, fleet "
            "file or models: the daemon computes those anew)"
        )
    words.append(
        number_of(len(verdict.problems), "problem")
        if verdict.problems
        else "the backup is whole"
    )
    return "; ".join(words) + "."
