"""``/alarms/hold``: holding a truck's alarms back on purpose, and letting go of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts import hold, holds
from alerts.alarm import HELD, State
from alerts.hold import Hold
from alerts.holds import BadHold, Placed, duration
from alerts.own.facts import OURSELVES
from alerts.watch import EVERYBODY
from review.access.audit import Deed
from review.access.visitor import Role
from review.console.alarm_card import LEAST, may_release
from review.console.alarms import kind_words
from review.console.done import back_to, with_done
from review.console.house import House
from review.console.visit import Visit, route
from review.entry_rules import known_trucks
from review.kinds import EVERY_KIND
from review.measures import NotUnderstood, moment_ms
from review.web.answers import line

HOUR_MS = 3_600_000
SPANS: Mapping[str, int] = {"1h": HOUR_MS, "8h": 8 * HOUR_MS}
"""For how long something is held back by one tap [ms]: a short job, a shift. Own choice."""

REASON_LENGTH = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldForm:
    """A form about a hold as it stands: what was chosen and written, and what is wrong with it."""

    truck: str
    kind: str = ""
    state: State = State.SHELVED
    span: str = "1h"
    until: str = ""
    reason: str = ""
    slips: Mapping[str, str] = field(default_factory=dict)


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    technician = Role.TECHNICIAN
    release = "/alarms/holds/{number:int}/release"
    return (
        route(house, "/alarms/hold", _ask, least=technician),
        route(house, "/alarms/hold", _place, least=technician, methods=("POST",)),
        route(house, release, _release, least=technician, methods=("POST",)),
    )


def hold_facts(visit: Visit, form: HoldForm) -> dict[str, Any]:
    """Give what the form about a hold shows."""
    rules = visit.house.policy.holds
    return {
        "hold_form": form,
        "hold_states": [state for state in holds.HELD_WORDS if visit.visitor.may(LEAST[state])],
        "hold_words": holds.HELD_WORDS,
        "hold_longest": duration(rules.longest_ms),
        "hold_longest_critical": duration(rules.longest_critical_ms),
    }


def _ask(visit: Visit) -> Response:
    asked = visit.request.query_params
    return _page(visit, _form(asked), 200, str(asked.get("next", "")))


def _page(visit: Visit, form: HoldForm, status: int, back: str) -> Response:
    house = visit.house
    with house.store.read() as conn:
        trucks = sorted(known_trucks(conn, house.reader.fleet))
    return visit.page(
        "hold.html",
        title="Hold alarms back",
        status=status,
        trucks=trucks,
        kinds=[(kind, kind_words(kind)) for kind in sorted(EVERY_KIND)],
        next=back,
        **hold_facts(visit, form),
    )


def _place(visit: Visit) -> Response:
    house, form = visit.house, _form(visit.form)
    if not visit.visitor.may(LEAST[form.state]):
        return visit.problem(
            403,
            "Not for you to do",
            f"{holds.HELD_WORDS[form.state].capitalize()}: a manager's to say.",
        )
    until_ms, slips = _until(form, visit)
    with house.store.read() as conn:
        if form.truck not in {EVERYBODY, OURSELVES, *known_trucks(conn, house.reader.fleet)}:
            slips["truck"] = (
                f"No truck is named {form.truck!r}." if form.truck else "Say which."
            )
    if slips:
        return _page(visit, replace(form, slips=slips), 422, back_to(visit, ""))
    placed = _placed(visit, form, until_ms)
    if isinstance(placed, str):
        where = "reason" if "reason" in placed else "until"
        return _page(visit, replace(form, slips={where: placed}), 422, back_to(visit, ""))
    house.board.look()
    return visit.go(with_done(back_to(visit, "/alarms"), form.state.value))


def _placed(visit: Visit, form: HoldForm, until_ms: int | None) -> Placed | str:
    """Place a hold, or say why it cannot be."""
    house = visit.house
    try:
        with house.store.write() as tx:
            placed = holds.place(
                tx,
                state=form.state,
                vehicle=form.truck,
                kind=form.kind or None,
                until_ms=until_ms,
                by=visit.visitor.name,
                reason=form.reason,
                now_ms=house.now_ms(),
                policy=house.policy,
            )
            deed = Deed.ALARM_SHELVED if form.state is State.SHELVED else Deed.TRUCK_HELD
            visit.audit(tx, deed, _about(placed.hold))
    except BadHold as error:
        text = str(error)
        return f"{text[:1].upper()}{text[1:]}."
    return placed


def _release(visit: Visit) -> Response:
    house, number = visit.house, int(visit.request.path_params["number"])
    with house.store.read() as conn:
        found = hold.get(conn, number) if number < 1 << 62 else None
    if found is None:
        return visit.problem(404, "No such hold", "Nothing is held back under this number.")
    if not may_release(visit.visitor, found):
        return visit.problem(
            403, "Not for you to do", "A manager placed it, and lets go of it."
        )
    try:
        with house.store.write() as tx:
            holds.release(
                tx, number, by=visit.visitor.name, now_ms=house.now_ms(), policy=house.policy
            )
            shelf = found.state is State.SHELVED
            visit.audit(
                tx, Deed.ALARM_UNSHELVED if shelf else Deed.TRUCK_RELEASED, _about(found)
            )
    except LookupError:
        return _ended(visit, number)
    house.board.look()
    return visit.go(with_done(back_to(visit, "/alarms"), "released"))


def _ended(visit: Visit, number: int) -> Response:
    """Say that a hold has ended already; by this visitor's own form, sent twice, it is as was asked."""
    with visit.house.store.read() as conn:
        found = hold.get(conn, number)
    by = (found.ended_by if found else "") or ""
    if by == visit.visitor.name:
        return visit.go(with_done(back_to(visit, "/alarms"), "released"))
    how = f"{by} let go of it" if by else "Its time ran out"
    return visit.problem(
        409,
        "It had ended already",
        f"{how} before you. What still stands is on the list of alarms.",
    )


def _form(told: Mapping[str, str]) -> HoldForm:
    state, kind = told.get("state", ""), told.get("kind", "")
    known = {each.value: each for each in HELD}
    span = told.get("span", "1h")
    return HoldForm(
        truck=told.get("truck", "").strip(),
        kind=kind if kind in EVERY_KIND else "",
        state=known.get(state, State.SHELVED),
        span=span if span in {*SPANS, "until", "open"} else "1h",
        until=told.get("until", "").strip(),
        reason=line(told.get("reason", ""), REASON_LENGTH),
    )


def _until(form: HoldForm, visit: Visit) -> tuple[int | None, dict[str, str]]:
    """Read until when; None: until somebody lets go."""
    now_ms = visit.house.now_ms()
    if form.span in SPANS:
        return now_ms + SPANS[form.span], {}
    if form.span == "open" and form.state is not State.SHELVED:
        return None, {}
    try:
        return moment_ms(form.until, visit.visitor.units.zone, now_ms), {}
    except (NotUnderstood, OverflowError):
        return None, {"until": "Say until when: a day and a time."}


def _about(made: Hold) -> str:
    return f"{made.vehicle} {made.kind or 'all alarms'} {made.state}: {made.reason}"
