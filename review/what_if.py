"""A what-if of one truck, gathered from the store: the API that commands and consoles call."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ingest import journal
from models.cold_running import WORKING_C
from models.course import Course
from models.duty import Duty, duty_of
from models.hypotheses import HEALTHY, NAMES
from models.layout import copied, record
from models.service import SERVICE_KINDS
from models.soak import time_constant_s
from models.what_if import NotOffered, Own, Terms, check, offered, what_if
from models.what_if_figures import Change, WhatIf
from models.what_if_own import own_of
from review.past import state_at
from review.problems import Mistake
from review.reading import Reader, Stored, no_account

USUAL_DAYS = 28
"""How far back is looked if nobody says [d]: four weeks, as the forecast's habits weigh a truck's work."""

EDGES_C = (107.0, 121.0)
"""Temperatures whose excess is timed beside the truck's own limit [°C]: 225 and 250 °F, where the trade says
that damage begins, and that seals harden."""

LEAST_FOLLOWED_S = 600.0
"""Less driving [s] that the model could follow is no ground for an answer; own choice."""

REFITTED = ("circuit", "gearbox")
"""Kinds of service entries from which on the truck is another for this question."""

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A what-if with what it rests on.

    ``registered``: the truck stands in the fleet file or the record; else its circuit is assumed.
    ``since_ms``, ``until_ms``: first and last sample that counted [Unix ms]. ``limit_c``: the truck's own
    limit; ``cold_c``: below it a running truck's fluid is cold [°C]. ``learned``: how far this truck's own
    values are known, 0 (as its class) to 1. ``failed_h``: by ``models.hypotheses.NAMES``, hours of the duty
    in which that fault was taken to hold [h].
    """

    vehicle: str
    registered: bool
    since_ms: int
    until_ms: int
    limit_c: float
    edges_c: tuple[float, ...]
    cold_c: float
    learned: float
    load_told: bool
    failed_h: dict[str, float]
    found: WhatIf


def usual_changes(kind: int) -> tuple[Change, ...]:
    """Give the changes that are answered if nobody asks for others, of those that a circuit can have."""
    usual = {
        "cooler": Change(cooler=1.3),
        "full_flow": Change(full_flow=True),
        "cleaned": Change(cleaned=True),
        "load": Change(load=0.8),
    }
    return tuple(usual[name] for name in offered(kind))


def answer(
    conn: sqlite3.Connection,
    reader: Reader,
    truck: str,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    changes: Sequence[Change] = (),
) -> Answer:
    """Say what changes would have meant for a truck.

    Parameters
    ----------
    conn, reader
        The store, and how to read it.
    truck
        Its name.
    since_ms, until_ms
        The span [Unix ms]; None: the four weeks up to the newest sample.
    changes
        Each is answered for itself; none: the usual ones.

    Raises
    ------
    Mistake
        There is no ground for an answer, or the truck cannot have one of the changes.
    """
    stored = reader.truck(conn, truck)
    return answer_of(conn, stored, since_ms=since_ms, until_ms=until_ms, changes=changes)


def answer_of(
    conn: sqlite3.Connection,
    stored: Stored,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    changes: Sequence[Change] = (),
) -> Answer:
    """Say it of a truck that is read already; one as it was is answered as it was."""
    if stored.state is None or stored.held is None:
        raise Mistake(no_account(stored.name, stored.standing))
    kind = int(stored.params.thermal.bank.circuit.kind)
    asked = tuple(changes) or usual_changes(kind)
    try:
        for change in asked:
            check(kind, change)
    except NotOffered as error:
        raise Mistake(f"{stored.name}: {error}") from None
    last_ms = stored.held.last_ms if until_ms is None else min(until_ms, stored.held.last_ms)
    first_ms = last_ms - USUAL_DAYS * _DAY_MS if since_ms is None else since_ms
    first_ms = max(first_ms, _fitted_since_ms(stored.course, stored.state))
    return _answered(conn, stored, first_ms, last_ms, asked)


def _answered(
    conn: sqlite3.Connection,
    stored: Stored,
    first_ms: int,
    last_ms: int,
    asked: Sequence[Change],
) -> Answer:
    held, state = stored.held, stored.state
    if held is None or state is None:
        raise ValueError(f"{stored.name} has no account")
    samples = journal.read(conn, vehicle_id=held.vehicle_id, first_ms=first_ms, last_ms=last_ms)
    if len(samples) == 0:
        raise Mistake(f"{stored.name}: no sample of that span is stored; ask for another")
    before = state_at(conn, held, first_ms)
    params = stored.params
    kind = int(params.thermal.bank.circuit.kind)
    duty = duty_of(params, record(copied(before)).truck, kind, samples)
    if duty.followed_s < LEAST_FOLLOWED_S:
        raise Mistake(
            f"{stored.name}: too little is known of that span to answer: {_missing(kind)} is "
            "needed, beside the fluid's temperature"
        )
    own = own_of(held.course, before, state, duty, samples)
    terms = terms_of(params, stored.account)
    return Answer(
        vehicle=stored.name,
        registered=stored.vehicle.registered,
        since_ms=int(samples["time_ms"][0]),
        until_ms=int(samples["time_ms"][-1]),
        limit_c=terms.limit_c,
        edges_c=terms.edges_c,
        cold_c=WORKING_C,
        learned=float(record(state).truck.thermal.learned),
        load_told=duty.load_told,
        failed_h=_failed_h(duty, own),
        found=what_if(duty, own, terms, asked),
    )


def terms_of(params: Any, account: Any) -> Terms:
    """Give what a course of temperatures is judged by: this truck's fluid and limit.

    ``params`` a record ``models.kernel.PARAMS``, ``account`` a record ``models.account.Account``.
    """
    ageing = params.account.ageing
    return Terms(
        ageing=np.frombuffer(bytearray(ageing.tobytes()), ageing.dtype),
        exponent_sd=float(params.account.exponent_sd),
        life_s=float(params.account.reference_life_s) / math.exp(account.filling.scale_ln),
        limit_c=float(params.over_temperature.limit_c),
        edges_c=EDGES_C,
        max_gap_s=float(params.account.max_gap_s),
        soak_s=float(time_constant_s(params.account.soak, account.soak)),
    )


def _fitted_since_ms(course: Course, state: Any) -> int:
    """Since when [Unix ms] the truck is what it is now: another circuit's duty says nothing of it."""
    since_ms, epoch = 0, 0
    for entry in course.entries[: int(state[0]["course"]["entries"])]:
        fitted = course.params[epoch]["thermal"].tobytes()
        epoch = int(entry["epoch"])
        another = course.params[epoch]["thermal"].tobytes() != fitted
        if another or SERVICE_KINDS[int(entry["kind"])] in REFITTED:
            since_ms = int(entry["time_ms"])
    return since_ms


def _missing(kind: int) -> str:
    return "engine speed, road speed, outside air" + (" and coolant" if kind >= 3 else "")


def _failed_h(duty: Duty, own: Own) -> dict[str, float]:
    """Hours of the duty by the fault that was taken to hold."""
    spans_h = (duty.end_ms - duty.start_ms) / 3.6e6
    kinds = sorted({int(kind) for kind in own.hypotheses} - {HEALTHY})
    return {NAMES[kind]: float(spans_h[own.hypotheses == kind].sum()) for kind in kinds}
