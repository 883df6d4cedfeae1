"""What the pages about one service show: kinds, the fields of a form, an outlook, the record, in words."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from ingest.record import STRUCK, Entry
from models.fleet import Vehicle
from models.service import PAN_DROP_SHARE
from models.units import Units
from review.console.services import when_words
from review.entry_words import KIND_WORDS, details
from review.service_fields import DISTANCE, FIELDS, TEMPERATURE, VOLUME, Field
from review.service_form import Sheet
from review.service_outlook import Account, Outlook

KINDS: Mapping[str, tuple[str, str]] = {
    "pan_drop": ("Pan drop", "Part of the fluid: what runs out of the pan"),
    "exchange": ("Full exchange", "All the fluid, or nearly all, of the same kind"),
    "filter": ("Filter only", "And no fluid to speak of"),
    "top_up": ("Top-up", "Fluid added for what was lost"),
    "sample": ("Laboratory sample", "What a laboratory found in the fluid"),
    "fluid_change": ("Other kind of fluid", "All of it, or as much as goes"),
    "gearbox": ("Gearbox replaced", "With the fluid that came with it"),
    "circuit": ("Cooling circuit changed", "Another cooler, valve or way to it"),
    "install": ("Date the fill", "When the fluid now in it went in"),
}
"""What can be entered, and what each is."""

READY = frozenset({"pan_drop", "exchange", "filter"})
"""Kinds of which nothing needs to be said but that they were done."""

_UNIT_HINTS: Mapping[int, str] = {
    id(VOLUME): "Like 4.5 L or 5 qt; a bare number is in {0.volume}.",
    id(DISTANCE): "Like 61310 km or 38,000 mi; a bare number is in {0.distance}.",
    id(TEMPERATURE): "Like 93 °C or 200 °F; a bare number is in °{0.temperature}.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One field of a form as it is shown."""

    field: Field
    value: str
    hint: str
    slip: str
    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One line of what a change does: what it is about, before and after, each with how sure it is."""

    about: str
    before: str
    after: str
    before_span: str = ""
    after_span: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One entry of the record; ``fate`` says what became of one that counts no longer."""

    entry: Entry
    what: str
    said: str
    fate: str
    may_mend: bool


def boxes(
    kind: str, sheet: Sheet, vehicle: Vehicle, fluids: Collection[str], units: Units
) -> list[Box]:
    """Write the fields of a form."""
    return [
        Box(
            field=each,
            value=sheet.texts.get(each.name, ""),
            hint=hint(kind, each, vehicle, units),
            slip=sheet.slips.get(each.name, ""),
            choices=tuple((name, name) for name in sorted(fluids))
            if each.name == "fluid"
            else each.choices,
        )
        for each in FIELDS[kind]
    ]


def hint(kind: str, each: Field, vehicle: Vehicle, units: Units) -> str:
    """Say how a field is filled in, and what its emptiness means."""
    said = [each.hint, _UNIT_HINTS.get(id(each.shape), "").format(units)]
    total = units.amount(vehicle.fluid_total_l)
    if each.name == "volume_l" and kind == "pan_drop":
        usual = units.amount(PAN_DROP_SHARE * vehicle.fluid_total_l)
        said.insert(0, f"Left empty: the usual share, {usual} of {total}.")
    elif each.name == "volume_l" and kind in ("exchange", "fluid_change"):
        said.insert(0, f"Left empty: all {total}.")
    elif each.name == "fluid" and kind != "fluid_change":
        said.insert(0, "Left open: as before.")
    return " ".join(part for part in said if part)


def summary(entry: Entry, vehicle: Vehicle, units: Units) -> str:
    """Say what an entry says, and what is assumed where it says nothing."""
    said = [details(entry, units)]
    if "volume_l" not in entry.numbers:
        total = units.amount(vehicle.fluid_total_l)
        usual = units.amount(PAN_DROP_SHARE * vehicle.fluid_total_l)
        assumed = {
            "pan_drop": f"the usual share of {usual} out of {total}",
            "exchange": f"all {total}",
            "fluid_change": f"all {total}",
        }
        said.insert(0, assumed.get(entry.kind, ""))
    return ", ".join(part for part in said if part)


def changes(found: Outlook, units: Units) -> list[Change]:
    """Lay the account before a change beside the one after it."""
    if found.before is None or found.after is None:
        return []
    one, other = found.before, found.after
    return [
        Change(
            about="Life used",
            before=f"{one.statement.life_used:.0%}",
            after=f"{other.statement.life_used:.0%}",
            before_span=_span(one),
            after_span=_span(other),
        ),
        Change(
            about="Antioxidant left",
            before=f"{one.statement.antioxidant_left:.0%}",
            after=f"{other.statement.antioxidant_left:.0%}",
        ),
        Change(about="Next service", before=_next(one, units), after=_next(other, units)),
    ]


def _span(account: Account) -> str:
    told = account.statement
    return f"8 in 10: {told.life_low:.0%} to {told.life_high:.0%}"


def _next(account: Account, units: Units) -> str:
    said = when_words(account.due, units)
    return f"overdue {said}" if account.due.overdue else f"{said}, by {account.due.reason}"


def record_lines(
    entries: Sequence[Entry], mendable: Collection[int | None], units: Units
) -> list[Line]:
    """Write the record, newest first; ``mendable``: the entries that this visitor may mend."""
    newer = {each.supersedes: each for each in entries if each.supersedes is not None}
    shown = [each for each in entries if each.kind != STRUCK]
    return [
        Line(
            entry=each,
            what=KIND_WORDS[each.kind].capitalize(),
            said=details(each, units),
            fate=_fate(newer.get(each.id or 0)),
            may_mend=each.id in mendable,
        )
        for each in sorted(shown, key=lambda each: (each.time_ms, each.id or 0), reverse=True)
    ]


def _fate(after: Entry | None) -> str:
    if after is None:
        return ""
    if after.kind == STRUCK:
        return f"Struck out by {after.who}: “{after.note}”"
    return f"Corrected by {after.who}, entry {after.id}"
