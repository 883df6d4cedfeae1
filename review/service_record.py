"""The service record for programs: one function for each thing that is done to a truck.

Each checks what it is told, adds an entry to the record in the caller's transaction, and gives the
entry back with its number. Nothing is edited: :func:`correct` and :func:`strike` add entries that
supersede older ones. Units are SI: °C, km, L, Unix ms; shares are numbers [-].

    with open_book(store, fleet, who="Kim", now_ms=wall_ms()) as book:
        drop_pan(book, "NF-03", at_ms, volume_l=4.5, filter_changed=True)

``open_book`` is ``deploy.open_book``'s; ``read_only`` and ``reader_of`` are ``deploy.database``'s and
``deploy.courses``'s. What only reads takes an open connection and a ``Reader``:

    reader = reader_of(settings, fleet)
    with read_only(store) as conn:
        before, after = preview_pan_drops(conn, reader, "NF-03", volume_l=4.5).mixtures[:2]

A daemon that runs counts what was entered within a second; ``deploy.desk`` does where none runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ingest.record import Entry, history
from review.entry_rules import CannotEnter, UnknownTruck
from review.fleet_files import fleet_export, fleet_import
from review.lab_findings import LabFindings
from review.pan_drop import Preview, preview_pan_drops
from review.reading import Reader, account_of
from review.record_book import Book, add_entry, correct, given, strike
from review.standing import due_of_truck

__all__ = [
    "Book",
    "CannotEnter",
    "Entry",
    "LabFindings",
    "Preview",
    "Reader",
    "UnknownTruck",
    "account_of",
    "add_sample",
    "change_circuit",
    "change_filter",
    "change_fluid",
    "correct",
    "drop_pan",
    "due_of_truck",
    "exchange_fluid",
    "fleet_export",
    "fleet_import",
    "history",
    "install_fill",
    "preview_pan_drops",
    "register_truck",
    "replace_gearbox",
    "strike",
    "top_up",
]

_NO_NUMBERS: Mapping[str, float] = MappingProxyType({})
_NO_WORDS: Mapping[str, str] = MappingProxyType({})


def register_truck(
    book: Book,
    truck: str,
    *,
    words: Mapping[str, str] = _NO_WORDS,
    numbers: Mapping[str, float] = _NO_NUMBERS,
    note: str = "",
) -> Entry:
    """Register a truck that the fleet file does not name.

    ``words``: ``title``, ``circuit``, ``cooler``, ``fluid``, ``class``, ``sensor`` as in the fleet
    file; ``numbers``: ``fluid_total_l``, ``thermostat_open_c``, ``thermostat_full_c``, ``coolant_valve``
    and ``air_cooler`` (1 yes, 0 no), ``rated_torque_nm``. What is left out has the fleet file's default.
    """
    return add_entry(
        book, truck, "register", book.now_ms, numbers=numbers, words=words, note=note
    )


def install_fill(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    fluid: str | None = None,
    life_used: float | None = None,
    odometer_km: float | None = None,
    filter_changed: bool = False,
    note: str = "",
) -> Entry:
    """Date the fill in a truck: when it went in, at how many km, what it had used by then."""
    told = {
        "life_used": life_used,
        "odometer_km": odometer_km,
        "filter": _flag(filter_changed),
    }
    words = {} if fluid is None else {"fluid": fluid}
    return add_entry(book, truck, "install", at_ms, numbers=given(told), words=words, note=note)


def exchange_fluid(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    volume_l: float | None = None,
    odometer_km: float | None = None,
    filter_changed: bool = False,
    note: str = "",
) -> Entry:
    """Exchange the fluid for new of the same kind; without a volume all of it."""
    numbers = _service(volume_l, odometer_km, filter_changed)
    return add_entry(book, truck, "exchange", at_ms, numbers=numbers, note=note)


def drop_pan(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    volume_l: float | None = None,
    odometer_km: float | None = None,
    filter_changed: bool = False,
    note: str = "",
) -> Entry:
    """Drain the pan and fill it up again; without a volume the usual share is assumed."""
    numbers = _service(volume_l, odometer_km, filter_changed)
    return add_entry(book, truck, "pan_drop", at_ms, numbers=numbers, note=note)


def change_filter(
    book: Book, truck: str, at_ms: int, *, odometer_km: float | None = None, note: str = ""
) -> Entry:
    """Change the filter and nothing else."""
    numbers = given({"odometer_km": odometer_km})
    return add_entry(book, truck, "filter", at_ms, numbers=numbers, note=note)


def top_up(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    volume_l: float,
    odometer_km: float | None = None,
    note: str = "",
) -> Entry:
    """Add new fluid for what was lost."""
    numbers = _service(volume_l, odometer_km, filter_changed=False)
    return add_entry(book, truck, "top_up", at_ms, numbers=numbers, note=note)


def change_fluid(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    fluid: str,
    volume_l: float | None = None,
    odometer_km: float | None = None,
    filter_changed: bool = False,
    note: str = "",
) -> Entry:
    """Go over to another kind of fluid, one that the fleet file describes."""
    numbers = _service(volume_l, odometer_km, filter_changed)
    words = {"fluid": fluid}
    return add_entry(
        book, truck, "fluid_change", at_ms, numbers=numbers, words=words, note=note
    )


def replace_gearbox(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    words: Mapping[str, str] = _NO_WORDS,
    numbers: Mapping[str, float] = _NO_NUMBERS,
    note: str = "",
) -> Entry:
    """Put another gearbox in, with its fluid; ``words`` and ``numbers`` as for a registration.

    ``numbers`` may also hold ``life_used`` (of the fluid that came with it) and ``odometer_km``.
    """
    return add_entry(book, truck, "gearbox", at_ms, numbers=numbers, words=words, note=note)


def change_circuit(
    book: Book,
    truck: str,
    at_ms: int,
    *,
    words: Mapping[str, str] = _NO_WORDS,
    numbers: Mapping[str, float] = _NO_NUMBERS,
    note: str = "",
) -> Entry:
    """Change how the fluid is cooled: a cooler fitted, the bypass blocked, another valve.

    ``words``: ``circuit``, ``cooler``; ``numbers``: ``thermostat_open_c``, ``thermostat_full_c``,
    ``coolant_valve`` and ``air_cooler`` (1 yes, 0 no), ``fluid_total_l``, ``odometer_km``. Of another
    circuit, what is left out has the fleet file's default.
    """
    return add_entry(book, truck, "circuit", at_ms, numbers=numbers, words=words, note=note)


def add_sample(
    book: Book,
    truck: str,
    at_ms: int,
    findings: LabFindings,
    *,
    laboratory: str | None = None,
    number: str | None = None,
    odometer_km: float | None = None,
    note: str = "",
) -> Entry:
    """Enter what a laboratory found; ``at_ms`` is when the sample was taken.

    ``laboratory`` is its name, ``number`` the one it gave the sample.
    """
    numbers = {**findings.numbers(), **given({"odometer_km": odometer_km})}
    words = given({"laboratory": laboratory, "sample": number})
    return add_entry(book, truck, "sample", at_ms, numbers=numbers, words=words, note=note)


def _service(
    volume_l: float | None, odometer_km: float | None, filter_changed: bool
) -> dict[str, float]:
    told = {
        "volume_l": volume_l,
        "odometer_km": odometer_km,
        "filter": _flag(filter_changed),
    }
    return given(told)


def _flag(yes: bool) -> float | None:
    return 1.0 if yes else None
