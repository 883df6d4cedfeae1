"""Services due: which truck needs one when."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from review import services_due
from review.api.answering import answered
from review.api.asking import Reads
from review.api.operation import reads
from review.api.shape import Shape, Truck
from review.api.truck_shapes import Account, ServiceDue, Standing
from review.api.truck_written import STANDINGS, account_shape, due_shape

router = APIRouter(tags=["services due"])


class TruckService(Shape):
    """The next service of one truck."""

    truck: Truck
    """The truck."""
    title: str
    """What people call it."""
    standing: Standing
    """Whether its account holds."""
    waiting: bool
    """Whether entries of its record do not count yet."""
    due: ServiceDue | None
    """When; null: it has no account that holds."""
    account: Account | None
    """Its account, by which that is said."""


class Services(Shape):
    """The next service of every truck."""

    services: list[TruckService]
    """Overdue first, then by date; what is not known comes last."""


@reads(router, "/services", Services)
def list_services(ask: Reads) -> Response:
    """List the next service of every truck, overdue first, then by date."""
    rows = services_due.in_order(
        services_due.ServiceDue(
            truck=each.name,
            title=each.title,
            standing=each.standing,
            waiting=each.waiting,
            due=each.due,
            account=each.account,
        )
        for each in ask.house.board.now().trucks.values()
    )
    return answered(ask.request, Services(services=[_shape(each) for each in rows]))


def _shape(service: services_due.ServiceDue) -> TruckService:
    return TruckService(
        truck=service.truck,
        title=service.title,
        standing=STANDINGS[service.standing],
        waiting=service.waiting,
        due=None if service.due is None else due_shape(service.due),
        account=None if service.account is None else account_shape(service.account),
    )
