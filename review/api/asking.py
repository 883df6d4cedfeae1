"""What an operation is made from: the house, the request, and who asks."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends
from starlette.requests import Request

from review.access.audit import Deed, audit
from review.access.tokens import Scope
from review.access.visitor import Role, Visitor
from review.api.caller import Caller
from review.api.turns import Turns
from review.console.house import House


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One request to the API."""

    house: House
    request: Request
    caller: Caller

    @property
    def visitor(self) -> Visitor:
        """Who asks."""
        return self.caller.visitor

    @property
    def now_ms(self) -> int:
        """Now [Unix ms]."""
        return self.house.now_ms()

    @property
    def turns(self) -> Turns:
        """What gives a turn to whatever takes long."""
        found: Turns = self.request.app.state.turns
        return found

    def audit(self, tx: sqlite3.Connection, what: Deed, about: str) -> None:
        """Write in the audit log what this caller does, in the transaction that does it."""
        address = self.request.client.host if self.request.client else ""
        audit(tx, self.visitor.name, what, about, now_ms=self.now_ms, address=address)

    def must_be(self, least: Role) -> None:
        """Go on only for a person of this role, or a program: what the console shows nobody else.

        Raises
        ------
        Refused
            It is a person of a lesser role.
        """
        if self.caller.scopes is None:
            self.caller.must(Scope.READ, least)


def _ask(request: Request, scope: Scope) -> Ask:
    caller: Caller = request.state.caller
    caller.must(scope)
    return Ask(house=request.app.state.house, request=request, caller=caller)


async def _reading(request: Request) -> Ask:
    return _ask(request, Scope.READ)


async def _recording(request: Request) -> Ask:
    return _ask(request, Scope.RECORD)


async def _acknowledging(request: Request) -> Ask:
    return _ask(request, Scope.ACKNOWLEDGE)


Reads = Annotated[Ask, Depends(_reading)]
"""Whoever may read."""

Records = Annotated[Ask, Depends(_recording)]
"""Whoever may enter services."""

Acknowledges = Annotated[Ask, Depends(_acknowledging)]
"""Whoever may acknowledge alarms and hold them back."""
