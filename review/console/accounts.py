"""``/accounts``: who may come in and as what, and one-time passwords: ruled over by managers."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from urllib.parse import quote

from starlette.responses import Response
from starlette.routing import BaseRoute

from review.access import accounts, sessions, tokens
from review.access.accounts import ROLES, Account
from review.access.audit import Deed
from review.access.passwords import ONE_TIME_MS, one_time
from review.access.sessions import Session
from review.access.visitor import Role
from review.console.forms import LOOKING
from review.console.house import House
from review.console.say import Say
from review.console.sign_in import AGAIN
from review.console.visit import Handler, Visit, route
from review.problems import Mistake

ACCOUNTS = "/accounts"


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    changing: dict[str, Handler] = {
        "role": _set_role,
        "disable": _disable,
        "enable": _enable,
        "password": _give_password,
    }
    return (
        ruled(house, ACCOUNTS, _look),
        ruled(house, ACCOUNTS, _add, method="POST"),
        ruled(house, f"{ACCOUNTS}/{{account:int}}", _look_at_one),
        *(
            ruled(house, f"{ACCOUNTS}/{{account:int}}/{name}", handler, method="POST")
            for name, handler in changing.items()
        ),
    )


def ruled(house: House, path: str, handler: Handler, *, method: str = "GET") -> BaseRoute:
    """Give the route of a page that rules over others: for managers who gave their password lately."""

    def answer(visit: Visit) -> Response:
        came = house.gate.came(visit.request)
        if came is None or not house.gate.proved(came):
            looks = visit.request.method in LOOKING
            back = visit.request.url.path if looks else ACCOUNTS
            return visit.go(f"{AGAIN}?next={quote(back, safe='')}")
        try:
            return handler(visit)
        except Mistake as error:
            said = str(error)
            return visit.problem(422, "Not done", said[:1].upper() + said[1:] + ".")

    return route(house, path, answer, least=Role.MANAGER, methods=(method,))


def _look(visit: Visit) -> Response:
    gate = visit.house.gate
    now_ms = gate.now_ms()
    with visit.house.store.read() as conn:
        found = accounts.listed(conn)
        live = sessions.listed(conn, now_ms, gate.rules)
    return visit.page(
        "accounts.html",
        title="Accounts",
        accounts=[(each, each.state(now_ms), _last(live, each)) for each in found],
        clock=Say(visit.visitor.units, now_ms),
        roles=ROLES,
    )


def _add(visit: Visit) -> Response:
    role = _role(visit)

    def add(tx: sqlite3.Connection, kept: str, until_ms: int, now_ms: int) -> Account:
        name = visit.form.get("name", "")
        account = accounts.add(tx, name, role, kept, now_ms=now_ms, one_time_until_ms=until_ms)
        visit.audit(tx, Deed.ACCOUNT_ADDED, f"{account.name}, {role.name.lower()}")
        return account

    return _with_one_time(visit, add)


def _look_at_one(visit: Visit) -> Response:
    gate = visit.house.gate
    now_ms = gate.now_ms()
    with visit.house.store.read() as conn:
        account = _named(conn, visit)
        live = sessions.listed(conn, now_ms, gate.rules)
        made = [
            each
            for each in tokens.listed(conn)
            if each.made_by == account.name and each.counts(now_ms)
        ]
    return visit.page(
        "account.html",
        title=account.name,
        account=account,
        state=account.state(now_ms),
        sessions=[each for each in live if each.account_id == account.id],
        tokens=made,
        own=account.name == visit.visitor.name,
        clock=Say(visit.visitor.units, now_ms),
        roles=ROLES,
    )


def _set_role(visit: Visit) -> Response:
    role = _role(visit)
    with visit.house.store.write() as tx:
        account = _named(tx, visit)
        if role is not account.role:
            accounts.set_role(tx, account, role, visit.house.gate.now_ms())
            was, now = account.role.name.lower(), role.name.lower()
            visit.audit(tx, Deed.ROLE_CHANGED, f"{account.name}: {was} to {now}")
    return _back(visit, account)


def _disable(visit: Visit) -> Response:
    with visit.house.store.write() as tx:
        account = _named(tx, visit)
        accounts.disable(tx, account, visit.house.gate.now_ms())
        visit.audit(tx, Deed.ACCOUNT_DISABLED, account.name)
    return _back(visit, account)


def _enable(visit: Visit) -> Response:
    with visit.house.store.write() as tx:
        account = _named(tx, visit)
        accounts.enable(tx, account, visit.house.gate.now_ms())
        visit.audit(tx, Deed.ACCOUNT_ENABLED, account.name)
    return _back(visit, account)


def _give_password(visit: Visit) -> Response:
    def give(tx: sqlite3.Connection, kept: str, until_ms: int, now_ms: int) -> Account:
        account = _named(tx, visit)
        accounts.set_password(tx, account, kept, now_ms=now_ms, one_time_until_ms=until_ms)
        visit.audit(tx, Deed.PASSWORD_GIVEN, account.name)
        return account

    return _with_one_time(visit, give)


def _with_one_time(
    visit: Visit, work: Callable[[sqlite3.Connection, str, int, int], Account]
) -> Response:
    """Do something with a new one-time password, and show it: this page alone ever does."""
    gate = visit.house.gate
    password, now_ms = one_time(), gate.now_ms()
    kept = gate.entrance.passwords.keep(password)
    until_ms = now_ms + ONE_TIME_MS
    with visit.house.store.write() as tx:
        account = work(tx, kept, until_ms, now_ms)
    return visit.page(
        "one_time.html",
        title=f"One-time password of {account.name}",
        account=account,
        password=password,
        until_ms=until_ms,
        clock=Say(visit.visitor.units, now_ms),
    )


def _last(live: Sequence[Session], account: Account) -> int | None:
    times = [each.used_ms for each in live if each.account_id == account.id]
    return max(times, default=None)


def _named(conn: sqlite3.Connection, visit: Visit) -> Account:
    account = accounts.get(conn, visit.request.path_params["account"])
    if account is None:
        raise Mistake("there is no such account; the list of accounts names them all")
    return account


def _role(visit: Visit) -> Role:
    role = ROLES.get(visit.form.get("role", ""))
    if role is None:
        raise Mistake(f"choose a role: {', '.join(ROLES)}")
    return role


def _back(visit: Visit, account: Account) -> Response:
    # Who took the role from themselves may not look here any more.
    own = account.name == visit.visitor.name
    return visit.go("/me" if own else f"{ACCOUNTS}/{account.id}")
