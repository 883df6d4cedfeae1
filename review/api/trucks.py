"""Trucks: the fleet as it stands, and one of them."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from review.api.answering import answered
from review.api.asking import Ask, Reads
from review.api.operation import reads
from review.api.parameters import TruckName
from review.api.truck_shapes import TruckNow, Trucks
from review.api.truck_written import truck_shape
from review.board_row import TruckLive, truck_live

router = APIRouter(tags=["trucks"])


@reads(router, "/trucks", Trucks)
def list_trucks(ask: Reads) -> Response:
    """List all trucks as they stand: signals, account, next service, circuit, alarms.

    It comes from memory, as fresh as the console: the store is not read for it.
    """
    fleet = ask.house.board.now()
    said = Trucks(
        trucks=[_shape(ask, each) for each in fleet.trucks.values()], reading=fleet.reading
    )
    return answered(ask.request, said)


@reads(router, "/trucks/{truck}", TruckNow, problems=(404,))
def get_truck(ask: Reads, truck: TruckName) -> Response:
    """Read one truck as it stands."""
    found = ask.house.board.now().trucks.get(truck)
    if found is None:  # nobody knows it, or the daemon has just begun to read
        with ask.house.store.read() as conn:
            found = truck_live(ask.house.reader.truck(conn, truck), ask.now_ms)
    return answered(ask.request, _shape(ask, found))


def _shape(ask: Ask, truck: TruckLive) -> TruckNow:
    teller = ask.house.teller(ask.visitor.units)
    return truck_shape(truck, {each.id: teller.say(each).title for each in truck.alarms})
