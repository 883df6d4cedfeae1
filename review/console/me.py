"""``/me``: how one reads numbers, one's password, and where one is signed in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from starlette.responses import Response
from starlette.routing import BaseRoute

from models.units import Units
from review.access import accounts, passwords, sessions
from review.access.accounts import Choice
from review.access.audit import Deed
from review.access.passwords import Busy
from review.console.house import House
from review.console.say import Say
from review.console.sign_in import BUSY, not_yours, under, wrong_choice
from review.console.visit import SIGN_IN, Visit, route

ME = "/me"

_Unit = TypeVar("_Unit", bound=str)


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    return (
        route(house, ME, _look),
        route(house, f"{ME}/units", _choose_units, methods=("POST",)),
        route(house, f"{ME}/password", _change_password, methods=("POST",)),
        route(house, f"{ME}/sessions", _end_sessions, methods=("POST",)),
    )


def _look(visit: Visit) -> Response:
    return _page(visit)


def _page(visit: Visit, *, status: int = 200, wrong: str = "") -> Response:
    gate = visit.house.gate
    came = gate.came(visit.request)
    if came is None:
        return visit.go(SIGN_IN)
    now_ms = gate.now_ms()
    with visit.house.store.read() as conn:
        found = sessions.listed(conn, now_ms, gate.rules)
    return visit.page(
        "me.html",
        title=visit.visitor.name,
        status=status,
        wrong=wrong,
        choice=came.account.choice,
        fleet=_as_read(visit.house.units),
        came=came,
        sessions=[each for each in found if each.account_id == came.account.id],
        clock=Say(visit.visitor.units, now_ms),
        shortest=passwords.SHORTEST,
        told=_DONE.get(visit.request.query_params.get("done", ""), ""),
        device=device,
    )


def _choose_units(visit: Visit) -> Response:
    came = visit.house.gate.came(visit.request)
    if came is None:
        return visit.go(SIGN_IN)
    choice = Choice(
        temperature=_one_of(visit.form.get("temperature"), ("C", "F")),
        distance=_one_of(visit.form.get("distance"), ("km", "mi")),
        volume=_one_of(visit.form.get("volume"), ("L", "qt")),
    )
    with visit.house.store.write() as tx:
        accounts.choose_units(tx, came.account.id, choice)
    return visit.go(f"{ME}?done=units")


def _change_password(visit: Visit) -> Response:
    gate = visit.house.gate
    came = gate.came(visit.request)
    if came is None:
        return visit.go(SIGN_IN)
    try:
        failed = gate.entrance.check(came, visit.form.get("now", ""), visit.address)
        if failed is not None:
            return _page(visit, status=429 if failed.wait_ms else 403, wrong=not_yours(failed))
        if wrong := wrong_choice(gate, came, visit.form):
            return _page(visit, status=422, wrong=wrong)
        token = gate.entrance.choose_password(came, visit.form["password"], visit.address)
    except Busy:
        return _page(visit, status=503, wrong=BUSY)
    return under(visit.request, visit.go(f"{ME}?done=password"), token, gate)


def _end_sessions(visit: Visit) -> Response:
    came = visit.house.gate.came(visit.request)
    if came is None:
        return visit.go(SIGN_IN)
    which = visit.form.get("which", "")
    with visit.house.store.write() as tx:
        if which == "others":
            ended = sessions.end_all(tx, came.account.id, but=came.session.id)
        else:
            named = int(which) if which.isdecimal() and len(which) < 16 else 0
            ended = int(sessions.end(tx, named, came.account.id))
        if ended:
            visit.audit(tx, Deed.SESSION_ENDED, f"{ended} of the own")
    return visit.go(f"{ME}?done=sessions")


def device(browser: str) -> str:
    """Say in short what a session is used with: what a browser calls itself is foreign text, and a hint."""
    return next((word for sign, word in _DEVICES if sign in browser), "a program")


_DEVICES = (
    ("Tablet", "a tablet"),
    ("iPad", "a tablet"),
    ("Mobile", "a phone"),
    ("Mozilla", "a desk computer"),
)

_DONE = {
    "units": "Numbers are shown so from now on.",
    "password": "Your password is changed. Everywhere else you were signed in, you are not any more.",
    "sessions": "Ended. Whoever sits there is asked to sign in.",
}


def _as_read(units: Units) -> dict[str, str]:
    return {
        "temperature": f"°{units.temperature}",
        "distance": units.distance,
        "volume": units.volume,
    }


def _one_of(given: str | None, known: tuple[_Unit, ...]) -> _Unit | None:
    return next((each for each in known if each == given), None)
