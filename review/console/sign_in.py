"""``/sign-in`` and ``/sign-out``: coming in, choosing a first password, giving it once more, and going."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute

from review.access import cookies, passwords, secret, sessions
from review.access.audit import Deed
from review.access.entrance import Came, Failed, Passed, Try
from review.access.gate import Gate
from review.access.own_path import own_path
from review.access.passwords import Busy
from review.console.forms import Form, open_route
from review.console.house import House
from review.console.rendering import rendered
from review.console.visit import SIGN_IN, Visit, route

PASSWORD, AGAIN = "/sign-in/password", "/sign-in/again"

FORM_MS = 12 * 3_600_000
"""So long a sign-in page that was left open still works [ms]."""

LONGEST_FIELD = 1_000
"""What of a name is looked at [characters]."""


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    door = _Door(house.gate)
    return (
        open_route(SIGN_IN, door.look, "GET"),
        open_route(SIGN_IN, door.sign_in, "POST"),
        open_route(PASSWORD, door.look_password, "GET"),
        open_route(PASSWORD, door.choose_password, "POST"),
        route(house, AGAIN, _look_again),
        route(house, AGAIN, _prove, methods=("POST",)),
        route(house, "/sign-out", _sign_out, methods=("POST",)),
    )


@dataclass(frozen=True, slots=True)
class _Door:
    gate: Gate

    def look(self, request: Request, form: Form) -> Response:
        """Show the form, or where to go for who is in already."""
        del form
        to = own_path(request.query_params.get("next", ""))
        came = self.gate.came(request)
        if came is not None:
            return RedirectResponse(_password(to) if came.session.provisional else to, 303)
        return self._asked(request, to)

    def sign_in(self, request: Request, form: Form) -> Response:
        """Let somebody in, or show the form again with what is wrong."""
        to = own_path(form.get("next", ""))
        name = form.get("name", "")[:LONGEST_FIELD]
        if not self.gate.ours(request, self._read(request, cookies.FORM), form):
            return self._asked(request, to, name=name, status=403, wrong=_STALE)
        wants = Try(
            name=name,
            password=form.get("password", ""),
            known=tuple(filter(None, self._read(request, cookies.BROWSER).split("."))),
            session=self._read(request, cookies.SESSION),
            browser=request.headers.get("user-agent", ""),
            address=_address(request),
        )
        try:
            found = self.gate.entrance.sign_in(wants)
        except Busy:
            return self._asked(request, to, name=name, status=503, wrong=BUSY)
        if isinstance(found, Failed):
            return self._refused(request, to, name, found)
        return self._let_in(request, to, found)

    def look_password(self, request: Request, form: Form) -> Response:
        """Ask who came with a one-time password to choose their own."""
        del form
        came = self.gate.came(request)
        if came is None or not came.session.provisional:
            return RedirectResponse(SIGN_IN, 303)
        to = own_path(request.query_params.get("next", ""))
        return _password_page(request, came, to)

    def choose_password(self, request: Request, form: Form) -> Response:
        """Keep the chosen password, and let them in."""
        came = self.gate.came(request)
        if came is None or not came.session.provisional:
            return RedirectResponse(SIGN_IN, 303)
        to = own_path(form.get("next", ""))
        if not self.gate.ours(request, came.session.csrf, form):
            return _password_page(request, came, to, status=403, wrong=_STALE)
        try:
            if wrong := wrong_choice(self.gate, came, form):
                return _password_page(request, came, to, status=422, wrong=wrong)
            token = self.gate.entrance.choose_password(
                came, form["password"], _address(request)
            )
        except Busy:
            return _password_page(request, came, to, status=503, wrong=BUSY)
        return under(request, RedirectResponse(to, 303), token, self.gate)

    def _let_in(self, request: Request, to: str, passed: Passed) -> Response:
        response = RedirectResponse(_password(to) if passed.provisional else to, 303)
        under(request, response, passed.session, self.gate)
        known = ".".join(passed.known)
        self._write(request, response, cookies.BROWSER, known, sessions.BROWSER_MS)
        self._write(request, response, cookies.FORM, "", 0)
        return response

    def _refused(self, request: Request, to: str, name: str, failed: Failed) -> Response:
        if not failed.wait_ms:
            return self._asked(request, to, name=name, status=403, wrong=_WRONG)
        wait_s = math.ceil(failed.wait_ms / 1000)
        response = self._asked(request, to, name=name, status=429, wrong=_wait(wait_s))
        response.headers["Retry-After"] = str(wait_s)
        return response

    def _asked(
        self, request: Request, to: str, *, name: str = "", status: int = 200, wrong: str = ""
    ) -> Response:
        csrf = self._read(request, cookies.FORM) or secret.fresh()
        page = _page(
            request,
            "sign_in.html",
            title="Sign in",
            status=status,
            form_secret=csrf,
            next=to,
            name=name,
            wrong=wrong,
        )
        self._write(request, page, cookies.FORM, csrf, FORM_MS)
        return page

    def _read(self, request: Request, name: str) -> str:
        return cookies.read(request, name, self.gate.origins)

    def _write(
        self, request: Request, response: Response, name: str, value: str, lasts_ms: int
    ) -> None:
        cookies.write(
            request, response, name, value, origins=self.gate.origins, lasts_ms=lasts_ms
        )


def under(request: Request, response: Response, token: str, gate: Gate) -> Response:
    """Have the browser go on under this token; empty: under none."""
    lasts_ms = gate.rules.longest_ms if token else 0
    cookies.write(
        request, response, cookies.SESSION, token, origins=gate.origins, lasts_ms=lasts_ms
    )
    return response


def wrong_choice(gate: Gate, came: Came, form: Form) -> str:
    """Say what is wrong with a password that somebody chose; empty: nothing.

    Raises
    ------
    review.access.passwords.Busy
        Too many sign in at once.
    """
    chosen = form.get("password", "")
    if why := passwords.fault(chosen, came.account.name):
        return why
    if chosen != form.get("again", ""):
        return "The two are not the same. Type it again."
    if gate.entrance.passwords.fits(came.account.password, chosen):
        return "That is the current password. Take another."
    return ""


def _look_again(visit: Visit) -> Response:
    to = own_path(visit.request.query_params.get("next", ""))
    return visit.page("again.html", title=_AGAIN, next=to, wrong="")


def _prove(visit: Visit) -> Response:
    gate = visit.house.gate
    to = own_path(visit.form.get("next", ""))
    came = gate.came(visit.request)
    if came is None:
        return visit.go(SIGN_IN)
    try:
        found = gate.entrance.prove(came, visit.form.get("password", ""), visit.address)
    except Busy:
        return visit.page("again.html", title=_AGAIN, status=503, next=to, wrong=BUSY)
    if isinstance(found, str):
        return under(visit.request, visit.go(to), found, gate)
    status = 429 if found.wait_ms else 403
    wrong = not_yours(found)
    return visit.page("again.html", title=_AGAIN, status=status, next=to, wrong=wrong)


def not_yours(failed: Failed) -> str:
    """Say why the password of whoever is signed in was not taken."""
    if failed.wait_ms:
        return _wait(math.ceil(failed.wait_ms / 1000))
    return "That is not your password."


def _sign_out(visit: Visit) -> Response:
    gate = visit.house.gate
    came = gate.came(visit.request)
    if came is not None:
        with visit.house.store.write() as tx:
            sessions.end(tx, came.session.id, came.account.id)
            visit.audit(tx, Deed.SIGNED_OUT)
    return under(visit.request, visit.go(SIGN_IN), "", gate)


def _password(to: str) -> str:
    return PASSWORD if to == "/" else f"{PASSWORD}?next={quote(to, safe='')}"


def _password_page(
    request: Request, came: Came, to: str, *, status: int = 200, wrong: str = ""
) -> Response:
    return _page(
        request,
        "first_password.html",
        title="Choose your password",
        status=status,
        form_secret=came.session.csrf,
        next=to,
        name=came.account.name,
        wrong=wrong,
        shortest=passwords.SHORTEST,
    )


def _page(
    request: Request, template: str, *, title: str, status: int, **facts: object
) -> Response:
    """Answer with a page for who is not signed in."""
    path = request.url.path
    return HTMLResponse(
        rendered(template, title=title, path=path, visitor=None, **facts), status
    )


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _wait(wait_s: int) -> str:
    return f"Too many tries. Wait {wait_s} s, then try again."


_AGAIN = "Your password once more"
_WRONG = (
    "That did not let you in. Check the name and the password. A one-time password that is too old "
    "lets nobody in: ask a manager for another."
)
_STALE = "This page was open for too long, or cookies are turned off. Try again."
BUSY = "Too many people sign in just now. Try again in a moment."
