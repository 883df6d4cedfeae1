"""What the pictures of a truck show, gathered from its store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from deploy.database import read_only
from deploy.desk import Desk
from deploy.lab_picture import draw_lab_update
from deploy.options import fail
from deploy.printing import say
from models.ageing import rate
from models.interval import interval
from models.lab import LabUpdate
from models.layout import record
from review.entry_words import KIND_WORDS
from review.past import states_until_now
from review.pictures.account import draw_account
from review.pictures.account_caption import AccountPoint, Forecast, Mark
from review.pictures.bins import draw_bins
from review.reading import Stored
from review.standing import due_now


def draw_life(desk: Desk, stored: Stored, path: Path) -> None:
    """Draw the account of a truck with its services, and say what the picture shows."""
    now_ms = desk.now_ms()
    with read_only(desk.store) as conn:
        states = states_until_now(conn, stored, now_ms)
    points = []
    for time_ms, state in states:
        params = stored.course.now(state)
        band = interval(params.account, record(state).truck.account)
        points.append(AccountPoint(time_ms, band.low, band.best, band.high))
    due = due_now(stored, now_ms)
    forecast = Forecast(
        median_ms=due.median_ms,
        early_ms=due.early_ms,
        late_ms=due.late_ms,
        reason=due.reason,
        level=float(stored.params.service_due.life_share),
    )
    marks = [
        Mark(entry.time_ms, KIND_WORDS[entry.kind])
        for entry in stored.entries
        if entry.kind != "register"
    ]
    title = f"Life used: {_named(stored)}"
    shown = _drawn(
        path,
        lambda: draw_account(
            points, marks, path, zone=desk.zone, forecast=forecast, title=title
        ),
    )
    say(f"{path} shows: {shown}")


def draw_histogram(desk: Desk, stored: Stored, path: Path) -> None:
    """Draw a fluid's time at temperature, and where its life went; say what the picture shows."""
    ageing = stored.params.account.ageing
    shown = _drawn(
        path,
        lambda: draw_bins(
            stored.account.heat.bins_s,
            path,
            desk.units,
            pace=lambda celsius: float(rate(ageing, celsius)),
            title=f"Time at temperature: {_named(stored)}",
        ),
    )
    say(f"{path} shows: {shown}")


def draw_sample(truck: str, update: LabUpdate, path: Path) -> None:
    """Draw how a sample was weighed with the account; what it shows was said already."""
    _drawn(path, lambda: draw_lab_update(update, path, title=f"Laboratory sample: {truck}"))
    say(f"Drawn in {path}.")


def _named(stored: Stored) -> str:
    title = stored.vehicle.title
    return stored.name if title in ("", stored.name) else f"{stored.name}, {title}"


def _drawn(path: Path, draw: Callable[[], str]) -> str:
    try:
        return draw()
    except OSError as error:
        fail(f"cannot write {path}: {error.strerror}", 1)
