"""The pages of the console: a line for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from starlette.routing import BaseRoute

from review.console import (
    account_tokens,
    accounts,
    alarm,
    alarm_deeds,
    alarms,
    hindsight_page,
    history_files,
    history_page,
    holds,
    live,
    me,
    people,
    quarantine,
    review_pages,
    service_entry,
    service_mend,
    service_page,
    services,
    sheets,
    sign_in,
    system,
    today,
    truck,
    what_if_page,
)
from review.console.assets import static_route
from review.console.house import House

Screen = Callable[[House], Sequence[BaseRoute]]

SCREENS: tuple[Screen, ...] = (
    today.routes,
    truck.routes,
    live.routes,
    sign_in.routes,
    me.routes,
    people.routes,
    system.routes,
    quarantine.routes,
    account_tokens.routes,
    accounts.routes,
    history_page.routes,
    history_files.routes,
    hindsight_page.routes,
    alarms.routes,
    holds.routes,
    alarm_deeds.routes,
    alarm.routes,
    services.routes,
    sheets.routes,
    service_page.routes,
    service_mend.routes,
    service_entry.routes,
    review_pages.routes,
    what_if_page.routes,
)


def console_routes(house: House) -> Sequence[BaseRoute]:
    """Give the routes of all pages."""
    return (static_route(), *(each for screen in SCREENS for each in screen(house)))
