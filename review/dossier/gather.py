"""A review gathered from the store: the state rebuilt, looked at closely where it tells something."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest import journal
from ingest import record as service_record
from ingest.held import Held
from models.layout import record
from models.statement import statement
from review.dossier.causes import causes, clues
from review.dossier.departure import departure, fault
from review.dossier.duty import work_of
from review.dossier.excursions import Run, runs_above
from review.dossier.facts import (
    Departure,
    Dossier,
    Limits,
    Readings,
    Span,
)
from review.dossier.ignorance import unknown_of
from review.dossier.parts import basis_of, course_of, excursion_of, levels_of, thinnings_of
from review.dossier.readings import believed, costed
from review.dossier.search import find
from review.dossier.span import USUAL_DAYS, as_of, bounds, checked_days, span_of
from review.dossier.walk import NOTE, Kept, joined, kept, walked
from review.dossier.witnesses import stories
from review.problems import Mistake
from review.reading import Reader, Stored, no_account
from review.trucks import vehicle_of
from review.what_if import Answer, answer_of

CLOSELY = 10
"""Excursions that are followed minute by minute, the worst first [-]."""

_HOUR_MS = 3_600_000


def dossier_of(
    conn: sqlite3.Connection,
    reader: Reader,
    truck: str,
    *,
    until_ms: int | None = None,
    days: int = USUAL_DAYS,
) -> Dossier:
    """Gather the review of a truck.

    Parameters
    ----------
    conn, reader
        The store, and how to read it.
    truck
        Its name.
    until_ms
        The end [Unix ms]: what is at it counts no longer. None: after the newest sample.
    days
        How many days before the end are followed minute by minute.

    Raises
    ------
    UnknownTruck, Mistake
        Nobody knows the truck; there is nothing of it to review up to then.
    """
    checked_days(days)
    stored = reader.truck(conn, truck)
    if stored.held is None or stored.state is None:
        raise Mistake(no_account(truck, stored.standing))
    samples = journal.span(conn, vehicle_id=stored.held.vehicle_id)
    if samples is None:
        raise Mistake(no_account(truck, "never heard"))
    first_ms, end_ms = bounds(truck, samples, stored.entries, until_ms)
    past = kept(conn, stored.held, first_ms, end_ms)
    then = as_of(stored.held, past.states[-1:])
    entries = [each for each in stored.entries if each.time_ms < end_ms]
    was = replace(
        stored,
        vehicle=vehicle_of(reader.fleet, truck, entries),
        entries=tuple(entries),
        held=then,
        state=then.state,
    )
    span = span_of(then, stored.entries, first_ms, end_ms, days)
    return _gathered(conn, reader, was, past, span, samples[1])


def _gathered(
    conn: sqlite3.Connection, reader: Reader, was: Stored, past: Kept, span: Span, later_ms: int
) -> Dossier:
    held = _held(was)
    params, state = was.params, record(held.state)
    ageing = np.array([params.account.ageing])
    times, fluid, count = believed(
        conn,
        held.vehicle_id,
        params,
        past.states[:1]["truck"]["latest"],
        span.first_ms,
        span.last_ms,
    )
    max_gap_s = float(params.account.max_gap_s)
    readings = costed(times, fluid, ageing, max_gap_s, span.fill_ms)
    limits = Limits(
        limit_c=float(params.over_temperature.limit_c),
        high_c=float(params.over_temperature.high_c),
        critical_c=float(params.over_temperature.critical_c),
    )
    runs = sorted(
        runs_above(readings, limits.limit_c), key=lambda run: (-run.cost_s, run.start)
    )
    worst_ms = int(readings.time_ms[runs[0].start]) if runs else None
    worked_on = [each.time_ms for each in was.entries if each.kind == "circuit"]
    search = find(conn, held, past, span.first_ms, span.until_ms, worst_ms, worked_on)
    seen = [search.notes, *_about(conn, held, past, readings, runs, span.last_ms)]
    close = _closely(conn, held, past, span, seen)
    notes = _merged([past.notes, close])
    found = departure(search.one, notes, span.last_ms) if search.one else None
    account = statement(params.account, state.truck.account)
    days = close[close["time_ms"] >= span.close_ms]
    duty = work_of(days, ageing, limits.limit_c, max_gap_s)
    away = _away(notes, found)
    close_samples = journal.read(
        conn, vehicle_id=held.vehicle_id, first_ms=span.close_ms, last_ms=span.last_ms
    )
    per_s = math.exp(state.truck.account.filling.scale_ln) / float(
        params.account.reference_life_s
    )
    what_if, why = _what_if(conn, was, span)
    return Dossier(
        truck=was.vehicle,
        vehicle_id=held.vehicle_id,
        span=span,
        limits=limits,
        basis=basis_of(reader, was, params, state),
        account=account,
        readings=readings,
        excursions=tuple(
            excursion_of(run, readings, close, ageing, per_s, span, max_gap_s) for run in runs
        ),
        levels=levels_of(readings, limits, span),
        departure=found,
        episodes=search.all,
        doubt=float(fault(past.notes[-1:])[0]),
        doubted=1 + int(np.argmax(np.nan_to_num(past.notes["p"][-1])[1:])),
        judged=bool(state.truck.thermal.windows > 0),
        judged_h=float(state.truck.thermal.windows) / 120.0,
        causes=causes(away, found) if found else (),
        clues=clues(away, found, account, work_of(away, ageing, limits.limit_c, max_gap_s)),
        coolant_cooled=bool(params.over_temperature.coolant_cooled),
        duty=duty,
        alarms=stories(conn, was.name, span.first_ms, span.until_ms),
        record=tuple(
            each
            for each in service_record.history(conn, was.name)
            if each.time_ms < span.until_ms
        ),
        counting=frozenset(each.id for each in was.entries if each.id is not None),
        thinnings=thinnings_of(conn, held, was.entries, span),
        unknown=unknown_of(conn, held, later_ms, span, account, close_samples, days),
        course=course_of(past, close, readings),
        what_if=what_if,
        what_if_why=why,
        samples=count,
    )


def _held(was: Stored) -> Held:
    if was.held is None:
        raise ValueError(f"{was.name} has no account")
    return was.held


def _about(
    conn: sqlite3.Connection,
    held: Held,
    past: Kept,
    readings: Readings,
    runs: Sequence[Run],
    until_ms: int,
) -> list[NDArray[Any]]:
    """Follow the truck through its worst excursions, and to ``until_ms`` at most."""
    found = []
    for run in runs[:CLOSELY]:
        first_ms, last_ms = int(readings.time_ms[run.start]), int(readings.time_ms[run.end])
        end_ms = min(last_ms + _HOUR_MS, until_ms)
        found.append(walked(conn, held, past, first_ms - _HOUR_MS, end_ms)[0])
    return found


def _closely(
    conn: sqlite3.Connection, held: Held, past: Kept, span: Span, seen: list[NDArray[Any]]
) -> NDArray[Any]:
    """Follow the truck through the days before the end; give all notes in order."""
    days, _ = walked(conn, held, past, span.close_ms, span.last_ms)
    return _merged([*seen, days])


def _merged(notes: Sequence[NDArray[Any]]) -> NDArray[Any]:
    together = joined(notes, NOTE)
    together = together[together["time_ms"] > 0]
    _, first = np.unique(together["time_ms"], return_index=True)
    return together[first]


def _away(notes: NDArray[Any], found: Departure | None) -> NDArray[Any]:
    """Give the notes from the last trust to the last certainty."""
    if found is None:
        return notes[:0]
    first_ms = found.left_ms if found.trusted_ms is None else found.trusted_ms
    within = (notes["time_ms"] >= first_ms) & (notes["time_ms"] <= found.last_sure_ms)
    return notes[within]


def _what_if(conn: sqlite3.Connection, was: Stored, span: Span) -> tuple[Answer | None, str]:
    try:
        return answer_of(conn, was, since_ms=span.close_ms, until_ms=span.last_ms), ""
    except Mistake as error:
        return None, str(error)
