"""Days of driving drawn at random: town, flat road, climbs and descents, hills, waiting."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Literal

from simulator.routes import Segment, drive, idle

DAY_S = 86_400
DRIVES_A_DAY = 2
LOADED_SHARE = 0.7
"""Trailer over what is usual for the class [-] from which a drive counts as loaded; own choice."""

Terrain = Literal["plain", "mountain", "town"]
TERRAINS: tuple[Terrain, ...] = ("plain", "plain", "mountain", "mountain", "town")
PIECES: dict[Terrain, dict[str, float]] = {
    "plain": {"flat": 5.0, "hills": 1.5, "climb": 0.7, "town": 1.0, "wait": 0.7},
    "mountain": {"flat": 1.5, "hills": 2.0, "climb": 3.0, "descent": 2.0, "wait": 0.5},
    "town": {"flat": 1.0, "hills": 0.7, "town": 4.0, "wait": 1.5},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """One drive, key on to key off; times in whole seconds after the midnight of the first day."""

    start_s: int
    end_s: int
    load_share: float
    segments: tuple[Segment, ...]

    @property
    def loaded(self) -> bool:
        return self.load_share >= LOADED_SHARE


def random_days(
    rng: Random, *, days: int, terrain: Terrain, trailer_kg: float
) -> tuple[Drive, ...]:
    """Draw two drives a day, together some two to four hours, with a rest of hours between."""
    drives = []
    for day in range(days):
        start_s = day * DAY_S + round(3600.0 * rng.uniform(5.5, 9.0))
        for _ in range(DRIVES_A_DAY):
            share = _load_share(rng)
            segments = _drive(rng, terrain, share * trailer_kg)
            length_s = round(sum(segment.duration_s or 0.0 for segment in segments))
            end_s = start_s + length_s
            drives.append(
                Drive(start_s=start_s, end_s=end_s, load_share=share, segments=segments)
            )
            start_s = end_s + round(3600.0 * rng.uniform(0.5, 5.0))
    return tuple(drives)


def _load_share(rng: Random) -> float:
    draw = rng.random()
    if draw < 0.25:
        return 0.0
    if draw < 0.45:
        return rng.uniform(0.2, 0.5)
    if draw < 0.92:
        return rng.uniform(0.7, 1.15)
    return rng.uniform(1.3, 1.8)


def _drive(rng: Random, terrain: Terrain, load_kg: float) -> tuple[Segment, ...]:
    wanted_s = 60.0 * rng.uniform(50.0, 110.0)
    segments = [drive(rng.randint(4, 8), rng.uniform(35.0, 50.0), trailer_kg=load_kg)]
    names, weights = zip(*PIECES[terrain].items(), strict=True)
    while sum(segment.duration_s or 0.0 for segment in segments) < wanted_s:
        segments += _piece(rng, rng.choices(names, weights)[0], load_kg)
    return (*segments, idle(2, trailer_kg=load_kg))  # nobody turns the key at speed


def _piece(rng: Random, name: str, load_kg: float) -> list[Segment]:
    if name == "wait":
        return [idle(rng.randint(2, 12), trailer_kg=load_kg)]
    if name == "town":
        hops = []
        for _ in range(rng.randint(5, 12)):
            hops.append(drive(rng.uniform(0.6, 1.8), rng.uniform(28, 50), trailer_kg=load_kg))
            hops.append(idle(rng.uniform(0.3, 1.2), trailer_kg=load_kg))
        return [_whole(hop) for hop in hops]
    if name == "hills":
        return [
            _road(rng, (2, 5), (65, 80), sign * rng.uniform(1.5, 4.0), load_kg)
            for _ in range(rng.randint(2, 4))
            for sign in (1, -1)
        ]
    if name == "climb":
        return [_road(rng, (5, 30), (50, 75), rng.uniform(2.5, 6.0), load_kg)]
    if name == "descent":
        return [_road(rng, (4, 15), (50, 70), -rng.uniform(1.5, 4.5), load_kg)]
    return [_road(rng, (8, 25), (72, 95), rng.uniform(-0.5, 0.5), load_kg)]


def _road(
    rng: Random,
    minutes: tuple[int, int],
    speeds_km_h: tuple[int, int],
    grade_pct: float,
    load_kg: float,
) -> Segment:
    return drive(
        rng.randint(*minutes),
        rng.uniform(*speeds_km_h),
        grade_pct=grade_pct,
        trailer_kg=load_kg,
    )


def _whole(segment: Segment) -> Segment:
    """Give the segment with whole seconds."""
    return Segment(
        duration_s=float(round(segment.duration_s or 0.0)),
        speed_km_h=segment.speed_km_h,
        trailer_kg=segment.trailer_kg,
    )
