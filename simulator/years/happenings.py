"""What people do about trucks: services they enter in the record, alarms they see, put aside, look into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """An entry of the service record: what was done at ``time_ms``, by whom, entered when [Unix ms].

    ``odometer``: the truck's counter at that time is part of it. ``instead_of``: the ``key`` of the entry
    that this one corrects.
    """

    vehicle: str
    kind: str
    time_ms: int
    entered_ms: int
    who: str
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    note: str = ""
    odometer: bool = True
    key: str | None = None
    instead_of: str | None = None

    @property
    def at_ms(self) -> int:
        """When it happens for the store [Unix ms]."""
        return self.entered_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Somebody acknowledges the alarms of a truck that wait for it at ``at_ms`` [Unix ms].

    ``kind``: only those of this kind; empty: of any.
    """

    vehicle: str
    at_ms: int
    who: str
    comment: str
    kind: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelved:
    """Somebody shelves a truck's alarms of one kind from ``at_ms`` to ``until_ms`` [Unix ms]."""

    vehicle: str
    kind: str
    at_ms: int
    until_ms: int
    who: str
    reason: str


Happening = Service | Seen | Shelved
