"""What goes wrong below the API, as it is told to whoever asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from fastapi.exceptions import RequestValidationError

from alerts.holds import BadHold
from alerts.lifecycle import CameAgain
from ingest.archive import ArchiveError
from ingest.entry_fields import RecordError
from review.api.record_tables import named
from review.api.refusing import Refused, Wrong
from review.entry_rules import CannotEnter, UnknownTruck
from review.problems import BadSettings, Mistake


def not_understood(error: RequestValidationError) -> Refused:
    """Say what of a request does not fit what the operation takes."""
    found = [Wrong(where=_place(each["loc"]), what=str(each["msg"])) for each in error.errors()]
    count = f"{len(found)} things are" if len(found) > 1 else "something is"
    detail = f"{count} wrong: {'; '.join(f'{each.where}: {each.what}' for each in found[:5])}"
    return Refused("not-understood", detail, errors=found[:50])


def _place(parts: tuple[int | str, ...]) -> str:
    return ".".join(str(part) for part in parts)[:200]


def _unknown_truck(error: Exception) -> Refused:
    said = str(error).partition("; 'heatbook")[0]
    return Refused(
        "no-such-truck", f"{said}; POST an entry of the kind register takes in a new one"
    )


def _does_not_fit(error: Exception) -> Refused:
    return Refused("does-not-fit", str(error))


def _field(error: Exception) -> Refused:
    if not isinstance(error, RecordError):
        return _does_not_fit(error)
    wrong = Wrong(where=f"body.{named(error.where)}", what=f"{error.what}; {error.mend}")
    return Refused("does-not-fit", str(error), errors=[wrong])


def _no_ground(error: Exception) -> Refused:
    return Refused("no-ground", str(error))


def _came_again(error: Exception) -> Refused:
    del error
    return Refused("came-again", "it has come again since you saw it; read it again")


FAULTS: Mapping[type[Exception], Callable[[Exception], Refused]] = MappingProxyType(
    {
        UnknownTruck: _unknown_truck,
        CannotEnter: _does_not_fit,
        RecordError: _field,
        BadHold: _does_not_fit,
        CameAgain: _came_again,
        BadSettings: _no_ground,
        ArchiveError: _no_ground,
        Mistake: _no_ground,
    }
)
"""By kind of exception, the most special first."""
