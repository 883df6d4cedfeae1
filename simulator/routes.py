"""What a truck is asked to do: segments of road, stops and parking. All routes are invented."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One stretch, ended by its duration or by its distance, whichever is given."""

    duration_s: float | None = None
    distance_m: float | None = None
    speed_km_h: float = 0.0
    grade_pct: float = 0.0
    trailer_kg: float = 0.0
    engine_on: bool = True

    def __post_init__(self) -> None:
        if (self.duration_s is None) == (self.distance_m is None):
            raise ValueError("a segment has a duration or a distance, one of the two")
        if self.distance_m is not None and self.speed_km_h <= 0.0:
            raise ValueError("a distance is never covered at no speed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Segments in order; at the end again from the first, or parked for good."""

    name: str
    segments: tuple[Segment, ...]
    repeat: bool = False


def drive(
    minutes: float, speed_km_h: float, *, grade_pct: float = 0.0, trailer_kg: float = 0.0
) -> Segment:
    """Drive for some minutes."""
    return Segment(
        duration_s=60.0 * minutes,
        speed_km_h=speed_km_h,
        grade_pct=grade_pct,
        trailer_kg=trailer_kg,
    )


def idle(minutes: float, *, trailer_kg: float = 0.0) -> Segment:
    """Stand with the engine running."""
    return Segment(duration_s=60.0 * minutes, trailer_kg=trailer_kg)


def park(minutes: float, *, trailer_kg: float = 0.0) -> Segment:
    """Stand with the engine off."""
    return Segment(duration_s=60.0 * minutes, trailer_kg=trailer_kg, engine_on=False)


def flat_tow(trailer_kg: float = 5_000.0) -> Route:
    """Return two hours on the flat with a trailer, a break, and again."""
    return Route(
        name="flat tow",
        segments=(
            drive(6, 45, trailer_kg=trailer_kg),
            drive(55, 88, trailer_kg=trailer_kg),
            drive(12, 75, grade_pct=1.5, trailer_kg=trailer_kg),
            drive(40, 85, grade_pct=-0.3, trailer_kg=trailer_kg),
            idle(7, trailer_kg=trailer_kg),
        ),
        repeat=True,
    )


def long_climb(trailer_kg: float = 4_500.0) -> Route:
    """Return a valley road, half an hour up, and the way down."""
    return Route(
        name="long climb",
        segments=(
            drive(25, 75, trailer_kg=trailer_kg),
            drive(32, 68, grade_pct=5.0, trailer_kg=trailer_kg),
            drive(8, 60, trailer_kg=trailer_kg),
            drive(25, 60, grade_pct=-4.0, trailer_kg=trailer_kg),
            drive(20, 70, trailer_kg=trailer_kg),
            idle(10, trailer_kg=trailer_kg),
        ),
        repeat=True,
    )


def rolling_hills(trailer_kg: float = 3_500.0) -> Route:
    """Return hills up and down by turns."""
    up = drive(5, 72, grade_pct=3.0, trailer_kg=trailer_kg)
    level = drive(8, 80, trailer_kg=trailer_kg)
    down = drive(5, 72, grade_pct=-2.5, trailer_kg=trailer_kg)
    return Route(
        name="rolling hills",
        segments=(drive(5, 50, trailer_kg=trailer_kg), *((up, level, down) * 5), idle(6)),
        repeat=True,
    )


def city_delivery(load_kg: float = 1_500.0) -> Route:
    """Return short hops, a minute or two at each door, a pause with the engine off."""
    hops = tuple(
        segment
        for hop in range(24)
        for segment in (
            Segment(distance_m=500.0 + 90.0 * (hop % 7), speed_km_h=44.0, trailer_kg=load_kg),
            Segment(duration_s=35.0 + 15.0 * (hop % 5), trailer_kg=load_kg),
        )
    )
    return Route(
        name="city delivery", segments=(*hops, park(14, trailer_kg=load_kg)), repeat=True
    )


def empty_run() -> Route:
    """Return a long road without a trailer."""
    return Route(
        name="empty run", segments=(drive(8, 45), drive(100, 90), idle(8)), repeat=True
    )


class Duty:
    """Where on its route a truck is."""

    __slots__ = ("_began_m", "_began_s", "_index", "_route", "segment")

    def __init__(self, route: Route) -> None:
        self._route = route
        self._index = 0
        self._began_s = 0.0
        self._began_m = 0.0
        self.segment = route.segments[0]

    def follow(self, elapsed_s: float, distance_m: float) -> Segment:
        """Return the segment that holds now, going on to the next where one has ended."""
        segment = self.segment
        if segment.duration_s is not None:
            if elapsed_s - self._began_s < segment.duration_s:
                return segment
        elif segment.distance_m is not None and distance_m - self._began_m < segment.distance_m:
            return segment
        self._began_s = elapsed_s
        self._began_m = distance_m
        self._index += 1
        segments = self._route.segments
        if self._index < len(segments) or self._route.repeat:
            self.segment = segments[self._index % len(segments)]
        else:
            self.segment = Segment(duration_s=float("inf"), engine_on=False)
        return self.segment
