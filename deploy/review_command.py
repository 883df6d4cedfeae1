"""``heatbook review``: what came first, of a truck up to a date; on paper and as data for a claim."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Annotated

import typer

from alerts.phrases import size_words
from alerts.teller import Teller
from deploy import record_options as options
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config, fail
from deploy.printing import caution, foreign, say, show, table
from review.dossier import plain
from review.dossier.end import end_ms
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.pen import Pen
from review.dossier.span import USUAL_DAYS
from review.dossier.timeline import timeline
from review.dossier.unknown_words import LIMITS_OF_IT, not_known
from review.dossier.verdict import verdict
from review.kinds import WORDS

Until = Annotated[
    str | None,
    typer.Option(
        help="Up to when: a date (its end, or where the gearbox was replaced on it) or a time. "
        "Default: the newest sample."
    ),
]
Days = Annotated[
    int, typer.Option(min=1, help="So many days before that are followed minute by minute.")
]
Pdf = Annotated[Path | None, typer.Option(help="Also write the report for a claim, a PDF.")]
Package = Annotated[
    Path | None,
    typer.Option(help="Also write the package of data that anybody can compute again, a ZIP."),
]
AsJson = Annotated[bool, typer.Option("--json", help="As one JSON object.")]


def review_command(
    vehicle: options.Truck,
    until: Until = None,
    days: Days = USUAL_DAYS,
    pdf: Pdf = None,
    package: Package = None,
    as_json: AsJson = False,
    config: Config = None,
) -> None:
    """Say what came first when a truck failed: the answer, then all that happened by time."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        end = end_ms(conn, vehicle, until or "", desk.zone, desk.now_ms())
        found = dossier_of(conn, desk.reader, vehicle, until_ms=end, days=days)
        _write(desk, conn, found, pdf, package)
    teller = _teller(desk)
    if as_json:
        typer.echo(plain.as_json(plain.review_of(found, Pen(desk.units), teller)).decode())
    elif pdf is None and package is None:
        _show(found, Pen(desk.units), teller)


def _write(
    desk: Desk, conn: sqlite3.Connection, found: Dossier, pdf: Path | None, package: Path | None
) -> None:
    if pdf is None and package is None:
        return
    # What draws and sets them takes a second to load.
    from review.dossier import package as packing  # noqa: PLC0415
    from review.dossier.report import report  # noqa: PLC0415

    pen, teller = Pen(desk.units, both=True), _teller(desk)
    if pdf is not None:
        sha256 = packing.inputs_of(conn, found).sha256
        _save(pdf, report(found, pen, teller, sha256))
    if package is not None:
        _save(package, packing.package(conn, found, pen, teller).body)


def _save(path: Path, body: bytes) -> None:
    try:
        path.write_bytes(body)
    except OSError as error:
        fail(f"cannot write {path}: {error.strerror}", 1)
    typer.echo(f"written: {path} ({size_words(len(body))})", err=True)


def _show(found: Dossier, pen: Pen, teller: Teller) -> None:
    said = verdict(found, pen)
    say(f"{found.vehicle}: {said.headline}", style="bold")
    say(said.first)
    say(said.then)
    for line in said.remarks:
        say(line)
    made = table("When", "What", wide=("What",))
    for each in timeline(found, pen, lambda alarm: teller.say(alarm).title):
        made.add_row(pen.stamp(each.time_ms), foreign(each.text))
    show(made)
    say("Not known:", style="bold")
    for line in not_known(found, pen):
        say(f"- {line}")
    say(LIMITS_OF_IT, style="yellow")
    caution()


def _teller(desk: Desk) -> Teller:
    return Teller(words=WORDS, units=desk.units, names={})
