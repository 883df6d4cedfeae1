"""The pages of the console: a line for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from starlette.routing import BaseRoute

from review.console import (
    alarm,
    alarm_deeds,
    alarms,
    history_page,
    holds,
    live,
    series_route,
    sign_in,
    today,
)
from review.console.assets import static_route
from review.console.house import House

Screen = Callable[[House], Sequence[BaseRoute]]

SCREENS: tuple[Screen, ...] = (
    today.routes,
    live.routes,
    sign_in.routes,
    history_page.routes,
    series_route.routes,
    alarms.routes,
    holds.routes,
    alarm_deeds.routes,
    alarm.routes,
)


def console_routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes of all pages."""
    return (static_route(), *(each for screen in SCREENS for each in screen(house)))
