"""What people call each truck, for the words of notices."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from ingest.record import effective
from models.fleet import Fleet
from review.store import Readable
from review.trucks import vehicle_of


class Titles(Mapping[str, str]):
    """Titles by the truck's name: the fleet file's, else its registration's as it stands now."""

    def __init__(self, fleet: Fleet, database: Readable) -> None:
        self._fleet = fleet
        self._database = database

    def __getitem__(self, name: str) -> str:
        if name in self._fleet.vehicles:
            return self._fleet.vehicles[name].title
        with self._database.read() as conn:
            return vehicle_of(self._fleet, name, effective(conn, name)).title

    def __iter__(self) -> Iterator[str]:
        return iter(self._fleet.vehicles)

    def __len__(self) -> int:
        return len(self._fleet.vehicles)
