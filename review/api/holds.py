"""Holds: list, make, end."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from alerts import hold, holds
from alerts.alarm import State
from alerts.hold import Hold as Kept
from review.access.audit import Deed
from review.access.tokens import Scope
from review.access.visitor import Role
from review.api.answering import answered, made
from review.api.asking import Acknowledges, Reads
from review.api.hold_shapes import Hold, Holds, NewHold
from review.api.instant import unix_ms
from review.api.operation import acts, reads
from review.api.parameters import Number
from review.api.places import ROOT
from review.api.refusing import Refused
from review.api.shape import moment, moment_or_none
from review.entry_rules import UnknownTruck, known_trucks

router = APIRouter(tags=["alarms"])


@reads(router, "/holds", Holds)
def list_holds(ask: Reads) -> Response:
    """List what is held back on purpose: shelved, suppressed by design, out of service."""
    with ask.house.store.read() as conn:
        found = hold.standing(conn, ask.now_ms)
    return answered(ask.request, Holds(holds=[_shape(each) for each in found]))


@reads(router, "/holds/{hold_id}", Hold, problems=(404,))
def get_hold(ask: Reads, hold_id: Number) -> Response:
    """Read one hold that is in force."""
    with ask.house.store.read() as conn:
        found = hold.get(conn, hold_id)
    if found is None or found.ended_ms is not None:
        raise _none(hold_id)
    return answered(ask.request, _shape(found))


@acts(router, "/holds", Hold, Scope.ACKNOWLEDGE, status=201, problems=(404, 409))
def make_hold(ask: Acknowledges, said: NewHold) -> Response:
    """Hold back a truck's alarms: nobody is told while it lasts.

    A shelf ends by itself, within seven days, within one for what is critical. To suppress by design or to
    take out of service is for a manager.
    """
    if said.state != State.SHELVED.value:
        ask.caller.must(Scope.ACKNOWLEDGE, Role.MANAGER)
    with ask.house.store.write() as tx:
        known = known_trucks(tx, ask.house.reader.fleet)
        if said.truck not in known:
            raise UnknownTruck(said.truck, known)
        placed = holds.place(
            tx,
            state=State(said.state),
            vehicle=said.truck,
            kind=said.kind,
            until_ms=None if said.until_at is None else unix_ms(said.until_at),
            by=ask.visitor.name,
            reason=said.reason,
            now_ms=ask.now_ms,
            policy=ask.house.policy,
        )
        shelved = said.state == State.SHELVED.value
        deed = Deed.ALARM_SHELVED if shelved else Deed.TRUCK_HELD
        ask.audit(tx, deed, f"{said.truck} {said.kind or 'all'}")
    ask.house.board.look()
    return made(_shape(placed.hold), where=f"{ROOT}/holds/{placed.hold.id}")


@acts(
    router,
    "/holds/{hold_id}",
    None,
    Scope.ACKNOWLEDGE,
    status=204,
    method="DELETE",
    problems=(404,),
)
def end_hold(ask: Acknowledges, hold_id: Number) -> Response:
    """End a hold: what stands is told then."""
    with ask.house.store.write() as tx:
        found = hold.get(tx, hold_id)
        if found is None or found.ended_ms is not None:
            raise _none(hold_id)
        if found.state is not State.SHELVED:
            ask.caller.must(Scope.ACKNOWLEDGE, Role.MANAGER)
        holds.release(
            tx, hold_id, by=ask.visitor.name, now_ms=ask.now_ms, policy=ask.house.policy
        )
        shelved = found.state is State.SHELVED
        deed = Deed.ALARM_UNSHELVED if shelved else Deed.TRUCK_RELEASED
        ask.audit(tx, deed, f"{found.vehicle} {found.kind or 'all'}")
    ask.house.board.look()
    return Response(status_code=204)


def _none(hold_id: int) -> Refused:
    return Refused("not-here", f"no hold {hold_id} is in force; GET {ROOT}/holds lists them")


def _shape(found: Kept) -> Hold:
    return Hold(
        id=found.id,
        state=found.state.value,
        truck=found.vehicle,
        kind=found.kind,
        from_at=moment(found.from_ms),
        until_at=moment_or_none(found.until_ms),
        by=found.by,
        reason=found.reason,
    )
