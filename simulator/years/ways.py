"""Where the invented fleet's trucks go: kinds of trips, and the few roads that have a story."""

from __future__ import annotations

from simulator.routes import (
    Route,
    city_delivery,
    drive,
    empty_run,
    flat_tow,
    idle,
    long_climb,
    rolling_hills,
)
from simulator.years.work import Style


def ring_road(load_kg: float) -> Route:
    """Return the way round the town between two rounds of deliveries."""
    return Route(
        name="ring road",
        segments=(
            drive(8, 48, trailer_kg=load_kg),
            drive(22, 68, trailer_kg=load_kg),
            drive(6, 40, trailer_kg=load_kg),
            idle(3, trailer_kg=load_kg),
        ),
        repeat=True,
    )


def grain_hill(load_kg: float) -> Route:
    """Return the harvest's way from the fields up to the store."""
    return Route(
        name="grain hill",
        segments=(
            drive(20, 68, trailer_kg=load_kg),
            drive(40, 50, grade_pct=6.0, trailer_kg=load_kg),
            idle(12, trailer_kg=load_kg),
            drive(35, 62, trailer_kg=0.0),
        ),
        repeat=True,
    )


def last_climb(load_kg: float) -> Route:
    """Return the long way up on which NF-08 cooks its fluid."""
    return Route(
        name="last climb",
        segments=(
            drive(28, 72, trailer_kg=load_kg),
            drive(14, 66, grade_pct=2.5, trailer_kg=load_kg),
            drive(75, 52, grade_pct=6.2, trailer_kg=load_kg),
        ),
        repeat=True,
    )


def last_climb_on(load_kg: float) -> Route:
    """Return what NF-08 still does of it after a rest at the roadside."""
    return Route(
        name="last climb, on",
        segments=(drive(40, 48, grade_pct=5.0, trailer_kg=load_kg),),
        repeat=True,
    )


EMPTY = Style(route=lambda _: empty_run(), lightest_kg=0.0, heaviest_kg=0.0, mean_km_h=78.0)


def tow(lightest_kg: float, heaviest_kg: float, weight: float = 1.0) -> Style:
    """Give trips on the flat with loads of this span [kg]."""
    return Style(
        route=flat_tow,
        lightest_kg=lightest_kg,
        heaviest_kg=heaviest_kg,
        weight=weight,
        mean_km_h=75.0,
    )


def hills(lightest_kg: float, heaviest_kg: float, weight: float = 1.0) -> Style:
    """Give trips through hills."""
    return Style(
        route=rolling_hills,
        lightest_kg=lightest_kg,
        heaviest_kg=heaviest_kg,
        weight=weight,
        mean_km_h=68.0,
    )


def climb(lightest_kg: float, heaviest_kg: float, weight: float = 1.0) -> Style:
    """Give trips over a long climb."""
    return Style(
        route=long_climb,
        lightest_kg=lightest_kg,
        heaviest_kg=heaviest_kg,
        weight=weight,
        mean_km_h=58.0,
    )


TOWN = Style(route=city_delivery, lightest_kg=1_200.0, heaviest_kg=3_000.0, mean_km_h=19.0)
RING = Style(route=ring_road, lightest_kg=1_500.0, heaviest_kg=3_000.0, mean_km_h=52.0)
