"""Whoever asks the API: a program with a token, or a person who is signed in on the console."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from starlette.requests import Request

from review.access.tokens import Scope, bearer, used
from review.access.visitor import Role, Visitor
from review.api.refusing import Refused
from review.console.house import House

LOOKING = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing (RFC 9110, section 9.2.1)."""

_LEAST: Mapping[Scope, Role] = MappingProxyType(
    {Scope.READ: Role.VIEWER, Scope.RECORD: Role.TECHNICIAN, Scope.ACKNOWLEDGE: Role.TECHNICIAN}
)

_CHALLENGE = 'Bearer realm="heatbook"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who asks, and what they may; ``scopes`` None: a person, who may what their role may.

    ``key`` is nobody else's, ever: names can be alike, and be given again.
    """

    key: str
    visitor: Visitor
    scopes: frozenset[Scope] | None

    def must(self, scope: Scope, least: Role | None = None) -> None:
        """Go on only where this is allowed; ``least``: a role that goes beyond what the scope needs.

        Raises
        ------
        Refused
            It is not; says what is missing.
        """
        if self.scopes is not None and scope not in self.scopes:
            raise Refused(
                "not-allowed",
                f"this needs a token with the scope {scope.value}; yours has "
                f"{', '.join(sorted(self.scopes))}. A manager makes tokens, under Accounts.",
                headers={
                    "WWW-Authenticate": f'{_CHALLENGE}, error="insufficient_scope", '
                    f'scope="{scope.value}"'
                },
            )
        needed = _LEAST[scope] if least is None else max(least, _LEAST[scope])
        if not self.visitor.may(needed):
            raise Refused(
                "not-allowed",
                f"this needs the role {needed.name.lower()}, and yours is "
                f"{self.visitor.role.name.lower()}; ask a manager of this fleet",
            )


def caller_of(house: House, request: Request) -> Caller | None:
    """Say who asks; None: nobody we know."""
    header = request.headers.get("authorization")
    if header is None:
        return _person(house, request)
    now_ms = house.gate.now_ms()
    with house.store.read() as conn:
        came = bearer(conn, header, now_ms, house.units)
    if came is None:
        return None
    used(house.store, came, now_ms)
    return Caller(key=f"token {came.key}", visitor=came.visitor, scopes=came.scopes)


def _person(house: House, request: Request) -> Caller | None:
    came = house.gate.came(request)
    visitor = None if came is None else house.gate.visitor_of(came)
    if came is None or visitor is None:
        return None
    return Caller(key=f"account {came.account.id}", visitor=visitor, scopes=None)


def from_elsewhere(house: House, request: Request, caller: Caller) -> bool:
    """Say whether another site may have made a person's browser ask this."""
    if caller.scopes is not None or request.method in LOOKING:
        return False
    return not house.gate.ours(request, caller.visitor.csrf, {})


def stranger(*, tried: bool) -> Refused:
    """Refuse whoever is not known; ``tried``: they gave a token (RFC 6750, section 3)."""
    if not tried:
        return Refused(
            "signed-out",
            "send a token, Authorization: Bearer …, or sign in on the console first",
            headers={"WWW-Authenticate": _CHALLENGE},
        )
    return Refused(
        "signed-out",
        "the token is not known, was revoked, or its time is over; a manager makes tokens, under Accounts",
        headers={"WWW-Authenticate": f'{_CHALLENGE}, error="invalid_token"'},
    )
