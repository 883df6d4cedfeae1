"""``/accounts/tokens`` and ``/accounts/log``: keys of programs, and what was done by whom."""

from __future__ import annotations

from collections.abc import Sequence

from starlette.responses import Response
from starlette.routing import BaseRoute

from review.access import audit, tokens
from review.access.audit import WORDS, Deed
from review.access.tokens import SCOPE_WORDS, Scope
from review.access.visitor import Role
from review.console.accounts import ACCOUNTS, ruled
from review.console.house import House
from review.console.say import Say
from review.console.visit import Visit, route
from review.problems import Mistake

TOKENS, LOG = f"{ACCOUNTS}/tokens", f"{ACCOUNTS}/log"

LIVES = {"30": "30 days", "90": "90 days", "365": "a year", "": "until it is revoked"}
"""How long a token may last [days]."""

SHOWN = 100
"""Lines of the log on a page."""

_DAY_MS = 86_400_000


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes."""
    return (
        ruled(house, TOKENS, _look),
        ruled(house, TOKENS, _make, method="POST"),
        ruled(house, f"{TOKENS}/{{token:int}}/revoke", _revoke, method="POST"),
        route(house, LOG, _log, least=Role.MANAGER),
    )


def _look(visit: Visit) -> Response:
    now_ms = visit.house.gate.now_ms()
    with visit.house.store.read() as conn:
        found = tokens.listed(conn)
    return visit.page(
        "tokens.html",
        title="Tokens of programs",
        tokens=[each for each in found if each.counts(now_ms)],
        gone=[each for each in found if not each.counts(now_ms)],
        scopes=SCOPE_WORDS,
        read=Scope.READ,
        lives=LIVES,
        clock=Say(visit.visitor.units, now_ms),
    )


def _make(visit: Visit) -> Response:
    now_ms = visit.house.gate.now_ms()
    days = visit.form.get("days", "90")
    if days not in LIVES:
        raise Mistake("choose how long the token lasts from the list")
    scopes = [each for each in Scope if visit.form.get(each.value) == "on"]
    ends_ms = now_ms + int(days) * _DAY_MS if days else None
    name = visit.form.get("name", "")
    with visit.house.store.write() as tx:
        made = tokens.make(
            tx, name, scopes, by=visit.visitor.name, now_ms=now_ms, ends_ms=ends_ms
        )
        held = tokens.listed(tx)[0]
        may = ", ".join(sorted(held.scopes))
        visit.audit(tx, Deed.TOKEN_MADE, f"{held.name}: {may}")
    return visit.page(
        "token.html",
        title=f"Token {held.name}",
        token=held,
        secret=made,
        clock=Say(visit.visitor.units, now_ms),
    )


def _revoke(visit: Visit) -> Response:
    key = visit.request.path_params["token"]
    now_ms = visit.house.gate.now_ms()
    with visit.house.store.write() as tx:
        token = tokens.revoke(tx, key, by=visit.visitor.name, now_ms=now_ms)
        if token is not None:
            visit.audit(tx, Deed.TOKEN_REVOKED, token.name)
    return visit.go(TOKENS)


def _log(visit: Visit) -> Response:
    asked = visit.request.query_params
    who, what, before = (
        asked.get("who", "")[:100],
        asked.get("what", ""),
        asked.get("before", ""),
    )
    with visit.house.store.read() as conn:
        found = audit.lines(
            conn,
            who=who,
            what=what if what in set(Deed) else "",
            before=int(before) if before.isdecimal() and len(before) < 16 else None,
            limit=SHOWN + 1,
        )
        people = [row[0] for row in conn.execute("SELECT DISTINCT who FROM audit ORDER BY who")]
    return visit.page(
        "audit.html",
        title="What was done by whom",
        lines=found[:SHOWN],
        older=found[SHOWN - 1].id if len(found) > SHOWN else None,
        people=people,
        deeds={each.value: words for each, words in WORDS.items()},
        who=who,
        what=what,
    )
